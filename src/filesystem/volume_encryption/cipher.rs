//! How sectors are encrypted.

use crate::base::fields::bytes_at;
use crate::source::SectorCipher;
use aes::cipher::block_padding::NoPadding;
use aes::cipher::generic_array::GenericArray;
use aes::cipher::{
    BlockCipher, BlockDecrypt, BlockDecryptMut, BlockEncrypt, BlockSizeUser, InnerIvInit, KeyInit, consts::U16,
};
use aes::{Aes128, Aes256};
use ccm::Ccm;
use ccm::aead::AeadInPlace;
use std::sync::Arc;
use xts_mode::Xts128;
use zeroize::Zeroizing;

/// How the sectors of a volume are encrypted.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Method {
    /// AES-CBC with a key of 128 or 256 bits, with or without the diffuser.
    Cbc {
        /// Bits of the key.
        bits: u16,
        /// Whether the diffuser and a sector key come on top.
        diffuser: bool,
    },
    /// AES-XTS with two keys of 128 or 256 bits.
    Xts {
        /// Bits of one key.
        bits: u16,
    },
}

impl Method {
    /// By the number in the metadata.
    pub fn of(number: u32) -> Option<Method> {
        Some(match number {
            0x8000 => Method::Cbc { bits: 128, diffuser: true },
            0x8001 => Method::Cbc { bits: 256, diffuser: true },
            0x8002 => Method::Cbc { bits: 128, diffuser: false },
            0x8003 => Method::Cbc { bits: 256, diffuser: false },
            0x8004 => Method::Xts { bits: 128 },
            0x8005 => Method::Xts { bits: 256 },
            _ => return None,
        })
    }

    /// What people call it.
    pub fn name(self) -> String {
        match self {
            Method::Cbc { bits, diffuser: false } => format!("AES-CBC {bits}"),
            Method::Cbc { bits, diffuser: true } => format!("AES-CBC {bits} with diffuser"),
            Method::Xts { bits } => format!("AES-XTS {bits}"),
        }
    }

    /// The cipher with its key, for sectors of `sector_bytes`. `None` when the key is too short.
    pub fn cipher(self, key: &[u8], sector_bytes: u64) -> Option<Arc<dyn SectorCipher>> {
        let diffuser = |present: bool, at: usize| present.then_some(at);
        Some(match self {
            Method::Cbc { bits: 128, diffuser: has } => Arc::new(Cbc::<Aes128>::new(key, 16, diffuser(has, 32))?),
            Method::Cbc { diffuser: has, .. } => Arc::new(Cbc::<Aes256>::new(key, 32, diffuser(has, 32))?),
            Method::Xts { bits: 128 } => Arc::new(Xts::<Aes128>::new(key, 16, sector_bytes)?),
            Method::Xts { .. } => Arc::new(Xts::<Aes256>::new(key, 32, sector_bytes)?),
        })
    }
}

/// The `bytes` bytes of a key at `at`, as a cipher.
fn keyed<C: KeyInit>(key: &[u8], at: usize, bytes: usize) -> Option<C> {
    C::new_from_slice(key.get(at..at.checked_add(bytes)?)?).ok()
}

struct Cbc<C> {
    key: C,
    /// For the diffuser's sector key.
    tweak: Option<C>,
}

impl<C: KeyInit> Cbc<C> {
    fn new(key: &[u8], bytes: usize, tweak_at: Option<usize>) -> Option<Cbc<C>> {
        let tweak = match tweak_at {
            Some(at) => Some(keyed(key, at, bytes)?),
            None => None,
        };
        Some(Cbc { key: keyed(key, 0, bytes)?, tweak })
    }
}

impl<C> Cbc<C>
where
    C: BlockEncrypt + BlockSizeUser<BlockSize = U16>,
{
    /// The byte at which a sector is stored, with a mark in its last byte, encrypted by a key.
    fn of_place(key: &C, at: u64, mark: u8) -> [u8; 16] {
        let mut block = [0; 16];
        block[..8].copy_from_slice(&at.to_le_bytes());
        block[15] = mark;
        key.encrypt_block(GenericArray::from_mut_slice(&mut block));
        block
    }
}

impl<C> SectorCipher for Cbc<C>
where
    C: BlockCipher + BlockEncrypt + BlockDecrypt + BlockSizeUser<BlockSize = U16> + Clone + Send + Sync,
{
    fn decrypt(&self, at: u64, sector: &mut [u8]) {
        let iv = Self::of_place(&self.key, at, 0);
        let cbc = cbc::Decryptor::inner_iv_init(self.key.clone(), GenericArray::from_slice(&iv));
        // Sectors are whole blocks, so nothing can fail.
        let _ = cbc.decrypt_padded_mut::<NoPadding>(sector);
        if let Some(tweak) = &self.tweak {
            undiffuse(sector);
            let key = [Self::of_place(tweak, at, 0), Self::of_place(tweak, at, 0x80)].concat();
            sector.iter_mut().zip(key.iter().cycle()).for_each(|(byte, key)| *byte ^= key);
        }
    }
}

/// Takes the diffuser off a sector: B, then A.
fn undiffuse(sector: &mut [u8]) {
    const B: [u32; 4] = [0, 10, 0, 25];
    const A: [u32; 4] = [9, 0, 13, 0];
    let mut words: Vec<u32> = sector.as_chunks::<4>().0.iter().map(|word| u32::from_le_bytes(*word)).collect();
    let count = words.len();
    for _ in 0..3 {
        for i in 0..count {
            let added = words[(i + 2) % count] ^ words[(i + 5) % count].rotate_left(B[i % 4]);
            words[i] = words[i].wrapping_add(added);
        }
    }
    for _ in 0..5 {
        for i in 0..count {
            let added = words[(i + count - 2) % count] ^ words[(i + count - 5) % count].rotate_left(A[i % 4]);
            words[i] = words[i].wrapping_add(added);
        }
    }
    sector.as_chunks_mut::<4>().0.iter_mut().zip(words).for_each(|(bytes, word)| *bytes = word.to_le_bytes());
}

struct Xts<C: BlockCipher + BlockEncrypt + BlockDecrypt + BlockSizeUser<BlockSize = U16>> {
    cipher: Xts128<C>,
    sector_bytes: u64,
}

impl<C> Xts<C>
where
    C: BlockCipher + BlockEncrypt + BlockDecrypt + BlockSizeUser<BlockSize = U16> + KeyInit,
{
    fn new(key: &[u8], bytes: usize, sector_bytes: u64) -> Option<Xts<C>> {
        Some(Xts { cipher: Xts128::new(keyed(key, 0, bytes)?, keyed(key, bytes, bytes)?), sector_bytes })
    }
}

impl<C> SectorCipher for Xts<C>
where
    C: BlockCipher + BlockEncrypt + BlockDecrypt + BlockSizeUser<BlockSize = U16> + Send + Sync,
{
    fn decrypt(&self, at: u64, sector: &mut [u8]) {
        self.cipher.decrypt_sector(sector, u128::from(at / self.sector_bytes).to_le_bytes());
    }
}

/// Opens a box closed by AES-CCM with a key of 256 bits: nonce, tag, content. `None` when the key is another, or a bit has changed.
pub fn unseal(key: &[u8; 32], sealed: &[u8]) -> Option<Zeroizing<Vec<u8>>> {
    const NONCE: usize = 12;
    const TAG: usize = 16;
    let nonce: [u8; NONCE] = bytes_at(sealed, 0)?;
    let tag: [u8; TAG] = bytes_at(sealed, NONCE)?;
    let mut content = Zeroizing::new(sealed.get(NONCE + TAG..)?.to_vec());
    let ccm = Ccm::<Aes256, ccm::consts::U16, ccm::consts::U12>::new(GenericArray::from_slice(key));
    ccm.decrypt_in_place_detached(&nonce.into(), &[], &mut content, &tag.into()).ok()?;
    Some(content)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes(text: &str) -> Vec<u8> {
        hex::decode(text).unwrap()
    }

    // Sources: cryptsetup's samples `bitlk-aes-xts-128.img` and `bitlk-aes-cbc-128.img`: keys and sectors as their published passwords
    // open them, computed with Python's cryptography package.
    #[test]
    fn sectors_of_samples_are_decrypted() {
        let plain = bytes("eb52904e544653202020200002080000");
        let key = bytes("cc493ad40376cf719d3725073d5c1a6ca5759fc4ad179c95572f16c01a260d66");
        let mut sector = vec![0; 512];
        sector[..16].copy_from_slice(&bytes("e90bf7ec3a2eb1f74533d6b88d7ab8fa"));
        Method::of(0x8004).unwrap().cipher(&key, 512).unwrap().decrypt(68904 * 512, &mut sector);
        assert_eq!(sector[..16], plain);
        let mut sector = vec![0; 512];
        sector[..16].copy_from_slice(&bytes("ae813fac8aee8d6ec26bff8765e8fd0d"));
        let key = bytes("6c96f82a942e875f029c3dd9e4351773");
        Method::of(0x8002).unwrap().cipher(&key, 512).unwrap().decrypt(35_278_848, &mut sector);
        assert_eq!(sector[..16], plain);
    }

    // Source: computed with the diffuser of libbde, in Python.
    #[test]
    fn the_diffuser_is_taken_off() {
        use sha2::{Digest, Sha256};
        let mut sector: Vec<u8> = (0..512u32).map(|n| n.to_le_bytes()[0]).collect();
        undiffuse(&mut sector);
        assert_eq!(sector[..16], bytes("3d48f8b6e89826fff9aa7fb86d8c7ebe"));
        let sum = bytes("59dedc455eb46dcc1735b3e7360dbaa4a006cc6533fc508efe21585de11e1f98");
        assert_eq!(Sha256::digest(&sector).as_slice(), sum);
    }

    // Source: the box in the sample `bitlk-aes-xts-128.img` that its password opens.
    #[test]
    fn a_box_opens_with_its_key_alone() {
        let sealed = bytes(
            "c049ba6f3632d50103000000\
             84ba5e36ecbfc08e95dd7aa2d1abdab1\
             749966a4100e2779e82354bd5e33a0a991025a189e2768aa5c47e818fb158d9179bfa47fa1b4a01fc379caa5",
        );
        let mut key: [u8; 32] =
            bytes("37554410c6e0df5b4fe096259f4a21b847338d3e8d8d8d8c30012d1447cca957").try_into().unwrap();
        let content = bytes("2c0000000100000003200000e5862465920b1190605ae29547623fb9c0dbafab073c85634bfb0f8a4b8cf46b");
        assert_eq!(unseal(&key, &sealed).as_deref(), Some(&content));
        key[31] ^= 1;
        assert_eq!(unseal(&key, &sealed), None);
        assert_eq!(unseal(&key, &sealed[..27]), None);
    }
}
