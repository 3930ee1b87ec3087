//! Encrypts a volume as Windows does, to have encrypted volumes whose plain content is known. Its code shares nothing with the product's
//! but the block cipher and the hash; what it makes, libbde and dissect.fve open (`scripts/reference/volume_encryption.py`).
//!
//! Sources as in `src/filesystem/volume_encryption`.

#![allow(dead_code, reason = "each test program uses its part")]

use aes::cipher::generic_array::GenericArray;
use aes::cipher::{BlockEncrypt, KeyInit};
use aes::{Aes128, Aes256};
use sha2::{Digest, Sha256};

/// What opens a volume.
#[derive(Clone)]
pub enum Lock {
    /// 16 bytes, of which [`recovery_password`] makes digits.
    Recovery([u8; 16]),
    Password(&'static str),
    /// The key of a file that [`startup_key_file`] makes.
    StartupKey([u8; 32]),
    InTheClear,
    SecurityChip,
}

/// What of a volume is encrypted.
#[derive(Clone)]
pub enum Conversion {
    Finished,
    /// The first so many bytes.
    Below(u64),
    /// Every chunk of `chunk` bytes but those named, by maps. The descriptors, one map and its log stand at these bytes.
    Maps {
        chunk: u64,
        clear: Vec<u64>,
        descriptors: [u64; 2],
        map: u64,
        log: u64,
    },
}

#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Form {
    Fixed,
    Removable,
    /// Windows Vista: metadata blocks of 16 KiB, nothing relocated.
    First,
}

#[derive(Clone)]
pub struct Recipe {
    /// 0x8000 to 0x8005.
    pub method: u16,
    pub sector: u64,
    pub form: Form,
    pub locks: Vec<Lock>,
    /// Where the three blocks go.
    pub metadata: [u64; 3],
    /// Bytes that are moved from the volume's start, and where to.
    pub relocated: (u64, u64),
    pub conversion: Conversion,
    /// Ranges that are not encrypted, as when only used space is.
    pub never_written: Vec<(u64, u64)>,
}

pub const MASTER_KEY: [u8; 32] = [0x4D; 32];
const STARTUP_GUID: [u8; 16] = [0x55; 16];
const METADATA: u64 = 64 << 10;
const LOG: u64 = 64 << 10;

fn index(at: u64) -> usize {
    usize::try_from(at).unwrap()
}

/// The sectors' key: of the length that the method has.
fn sector_key(method: u16) -> Vec<u8> {
    let length = match method {
        0x8000 | 0x8001 | 0x8005 => 64,
        0x8002 => 16,
        _ => 32,
    };
    (0..length).map(|n| u8::try_from(n * 3 + 3).unwrap()).collect()
}

#[allow(clippy::large_enum_variant, reason = "there are two of them")]
enum Aes {
    Small(Aes128),
    Large(Aes256),
}

impl Aes {
    fn new(key: &[u8]) -> Aes {
        match key.len() {
            16 => Aes::Small(Aes128::new_from_slice(key).unwrap()),
            _ => Aes::Large(Aes256::new_from_slice(key).unwrap()),
        }
    }

    fn block(&self, block: &mut [u8]) {
        let block = GenericArray::from_mut_slice(block);
        match self {
            Aes::Small(aes) => aes.encrypt_block(block),
            Aes::Large(aes) => aes.encrypt_block(block),
        }
    }

    fn of(&self, low: u64, last: u8) -> [u8; 16] {
        let mut block = [0; 16];
        block[..8].copy_from_slice(&low.to_le_bytes());
        block[15] = last;
        self.block(&mut block);
        block
    }
}

struct Sectors {
    method: u16,
    first: Aes,
    second: Option<Aes>,
    sector: u64,
}

impl Sectors {
    fn new(method: u16, sector: u64) -> Sectors {
        let key = sector_key(method);
        let (first, second) = match method {
            0x8000 => (&key[..16], Some(&key[32..48])),
            0x8001 => (&key[..32], Some(&key[32..])),
            0x8004 => (&key[..16], Some(&key[16..])),
            0x8005 => (&key[..32], Some(&key[32..])),
            _ => (key.as_slice(), None),
        };
        Sectors { method, first: Aes::new(first), second: second.map(Aes::new), sector }
    }

    fn encrypt(&self, at: u64, bytes: &mut [u8]) {
        match (self.method, &self.second) {
            (0x8004 | 0x8005, Some(tweak_key)) => {
                // IEEE Std 1619: the tweak times alpha for each block, x^128 + x^7 + x^2 + x + 1.
                let mut tweak = u128::from_le_bytes(tweak_key.of(at / self.sector, 0));
                for block in bytes.chunks_exact_mut(16) {
                    let masked = u128::from_le_bytes(block.try_into().unwrap()) ^ tweak;
                    block.copy_from_slice(&masked.to_le_bytes());
                    self.first.block(block);
                    let out = u128::from_le_bytes(block.try_into().unwrap()) ^ tweak;
                    block.copy_from_slice(&out.to_le_bytes());
                    tweak = (tweak << 1) ^ if tweak >> 127 == 1 { 0x87 } else { 0 };
                }
            }
            (_, tweak_key) => {
                if let Some(tweak_key) = tweak_key {
                    let key = [tweak_key.of(at, 0), tweak_key.of(at, 0x80)].concat();
                    bytes.iter_mut().enumerate().for_each(|(n, byte)| *byte ^= key[n % 32]);
                    diffuse(bytes);
                }
                let mut before = self.first.of(at, 0);
                for block in bytes.chunks_exact_mut(16) {
                    block.iter_mut().zip(before).for_each(|(byte, last)| *byte ^= last);
                    self.first.block(block);
                    before = block.try_into().unwrap();
                }
            }
        }
    }
}

/// The diffuser put on: A, then B, each backward.
fn diffuse(bytes: &mut [u8]) {
    let mut words: Vec<u32> = bytes.chunks_exact(4).map(|w| u32::from_le_bytes(w.try_into().unwrap())).collect();
    let count = words.len();
    for _ in 0..5 {
        for i in (0..count).rev() {
            let turned = words[(i + count - 5) % count].rotate_left([9, 0, 13, 0][i % 4]);
            words[i] = words[i].wrapping_sub(words[(i + count - 2) % count] ^ turned);
        }
    }
    for _ in 0..3 {
        for i in (0..count).rev() {
            let turned = words[(i + 5) % count].rotate_left([0, 10, 0, 25][i % 4]);
            words[i] = words[i].wrapping_sub(words[(i + 2) % count] ^ turned);
        }
    }
    bytes.chunks_exact_mut(4).zip(words).for_each(|(bytes, word)| bytes.copy_from_slice(&word.to_le_bytes()));
}

/// AES-CCM by NIST SP 800-38C with nonces of 12 bytes and tags of 16: nonce, tag, content.
fn seal(key: &[u8; 32], nonce: u64, content: &[u8]) -> Vec<u8> {
    let aes = Aes::new(key);
    let mut nonce_bytes = [0; 12];
    nonce_bytes[..8].copy_from_slice(&nonce.to_le_bytes());
    let block = |flags: u8, number: u32| {
        let mut block = [0; 16];
        block[0] = flags;
        block[1..13].copy_from_slice(&nonce_bytes);
        block[13..].copy_from_slice(&number.to_be_bytes()[1..]);
        block
    };
    let mut tag = block(0x3A, u32::try_from(content.len()).unwrap());
    aes.block(&mut tag);
    for part in content.chunks(16) {
        tag.iter_mut().zip(part).for_each(|(tag, byte)| *tag ^= byte);
        aes.block(&mut tag);
    }
    let stream = |number: u32| {
        let mut block = block(2, number);
        aes.block(&mut block);
        block
    };
    tag.iter_mut().zip(stream(0)).for_each(|(tag, byte)| *tag ^= byte);
    let mut sealed = [&nonce_bytes[..], &tag].concat();
    for (number, part) in (1..).zip(content.chunks(16)) {
        sealed.extend(part.iter().zip(stream(number)).map(|(byte, mask)| byte ^ mask));
    }
    sealed
}

fn entry(kind: u16, value: u16, data: &[u8]) -> Vec<u8> {
    let size = u16::try_from(data.len() + 8).unwrap();
    [&size.to_le_bytes()[..], &kind.to_le_bytes(), &value.to_le_bytes(), &1_u16.to_le_bytes(), data].concat()
}

fn key_entry(kind: u16, number: u32, key: &[u8]) -> Vec<u8> {
    entry(kind, 1, &[&number.to_le_bytes()[..], key].concat())
}

fn stretched(hash: [u8; 32], salt: [u8; 16]) -> [u8; 32] {
    let mut last = [0; 32];
    for round in 0..0x10_0000_u64 {
        let round =
            Sha256::new().chain_update(last).chain_update(hash).chain_update(salt).chain_update(round.to_le_bytes());
        last = round.finalize().into();
    }
    last
}

/// The digits of a recovery key.
pub fn recovery_password(key: [u8; 16]) -> String {
    let groups = key.chunks_exact(2).map(|pair| u32::from(u16::from_le_bytes([pair[0], pair[1]])) * 11);
    groups.map(|group| format!("{group:06}")).collect::<Vec<_>>().join("-")
}

/// The file with a start-up key.
pub fn startup_key_file(key: [u8; 32]) -> Vec<u8> {
    let properties = key_entry(0, 0x2002, &key);
    let own = entry(6, 9, &[&STARTUP_GUID[..], &[0; 8], &properties].concat());
    let size = u32::try_from(48 + own.len()).unwrap();
    let mut file = Vec::new();
    [size, 1, 48, size].iter().for_each(|field| file.extend(field.to_le_bytes()));
    file.extend(STARTUP_GUID);
    file.resize(48, 0);
    file.extend(own);
    file
}

fn protector(lock: &Lock, nonce: u64) -> Vec<u8> {
    let salt = [u8::try_from(nonce).unwrap(); 16];
    let stretch = |number: u32| entry(0, 3, &[&number.to_le_bytes()[..], &salt].concat());
    let (number, key, first): (u16, [u8; 32], Vec<u8>) = match lock {
        Lock::Recovery(key) => (0x0800, stretched(Sha256::digest(key).into(), salt), stretch(0x1000)),
        Lock::Password(text) => {
            let wide: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
            (0x2000, stretched(Sha256::digest(Sha256::digest(wide)).into(), salt), stretch(0x1001))
        }
        Lock::StartupKey(key) => (0x0200, *key, entry(0, 4, &0x2002_u32.to_le_bytes())),
        Lock::InTheClear => (0, [0xC1; 32], key_entry(0, 0x2000, &[0xC1; 32])),
        Lock::SecurityChip => (0x0100, [0xEE; 32], entry(0, 6, &[0; 40])),
    };
    let sealed = entry(0, 5, &seal(&key, nonce, &key_entry(0, 0x2003, &MASTER_KEY)));
    // A start-up key file names the protector that it opens.
    let guid = if number == 0x0200 { STARTUP_GUID } else { [u8::try_from(nonce).unwrap(); 16] };
    let head = [&guid[..], &[0; 10], &number.to_le_bytes()].concat();
    entry(2, 8, &[head, first, sealed].concat())
}

fn crc(bytes: &[u8]) -> u32 {
    crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(bytes)
}

/// Puts the CRC of `bytes` at `at`, where it counts as zero.
fn sum_at(bytes: &mut [u8], at: usize) {
    bytes[at..at + 4].fill(0);
    let sum = crc(bytes);
    bytes[at..at + 4].copy_from_slice(&sum.to_le_bytes());
}

impl Recipe {
    fn region(&self, plain: &[u8]) -> u64 {
        match self.form {
            Form::First => (16_u64 << 10).next_multiple_of(self.sector * u64::from(plain[13])),
            _ => METADATA,
        }
    }

    fn block(&self, plain: &[u8]) -> Vec<u8> {
        let is_first = self.form == Form::First;
        let (moved, place) = self.relocated;
        let mut entries: Vec<u8> =
            self.locks.iter().zip(3..).flat_map(|(lock, nonce)| protector(lock, nonce)).collect();
        let sealed = seal(&MASTER_KEY, 2, &key_entry(0, u32::from(self.method), &sector_key(self.method)));
        entries.extend(entry(3, 5, &sealed));
        if !is_first {
            entries.extend(entry(0xF, 0xF, &[place.to_le_bytes(), moved.to_le_bytes()].concat()));
        }
        let set = u32::try_from(48 + entries.len()).unwrap();
        let mut block = b"-FVE-FS-".to_vec();
        let size = (64 + index(u64::from(set))).next_multiple_of(16);
        block.extend(u16::try_from(if is_first { size } else { size / 16 }).unwrap().to_le_bytes());
        block.extend(if is_first { 1_u16 } else { 2 }.to_le_bytes());
        let (state, encrypted) = match self.conversion {
            Conversion::Below(limit) => (5_u16, limit),
            _ => (4, if is_first { 0 } else { plain.len() as u64 }),
        };
        block.extend(state.to_le_bytes());
        block.extend(4_u16.to_le_bytes());
        block.extend(encrypted.to_le_bytes());
        block.extend(0_u32.to_le_bytes());
        block.extend(if is_first { 0 } else { u32::try_from(moved / self.sector).unwrap() }.to_le_bytes());
        self.metadata.iter().for_each(|at| block.extend(at.to_le_bytes()));
        let mirror = u64::from_le_bytes(plain[56..64].try_into().unwrap());
        block.extend(if is_first { mirror } else { place }.to_le_bytes());
        [set, 1, 48, set].iter().for_each(|field| block.extend(field.to_le_bytes()));
        block.extend([0x77; 16]);
        block.extend(20_u32.to_le_bytes());
        block.extend(u32::from(self.method).to_le_bytes());
        block.extend([0; 8]);
        block.extend(entries);
        block.resize(size, 0);
        let hash = Sha256::digest(&block);
        let proof = entry(0, 5, &seal(&MASTER_KEY, 1, &key_entry(0, 0x2005, &hash)));
        let sum = crc(&block);
        block.extend(u16::try_from(8 + proof.len()).unwrap().to_le_bytes());
        block.extend(2_u16.to_le_bytes());
        block.extend(sum.to_le_bytes());
        block.extend(proof);
        block.resize(index(self.region(plain)), 0);
        block
    }

    fn boot_sector(&self, plain: &[u8]) -> Vec<u8> {
        let mut boot = vec![0; 512];
        boot[..3].copy_from_slice(if self.form == Form::First { &[0xEB, 0x52, 0x90] } else { &[0xEB, 0x58, 0x90] });
        boot[3..11].copy_from_slice(if self.form == Form::Removable { b"MSWIN4.1" } else { b"-FVE-FS-" });
        boot[11..13].copy_from_slice(&u16::try_from(self.sector).unwrap().to_le_bytes());
        boot[13] = 8;
        let at = match self.form {
            Form::First => {
                boot[..512].copy_from_slice(&plain[..512]);
                boot[3..11].copy_from_slice(b"-FVE-FS-");
                let cluster = self.metadata[0] / (self.sector * u64::from(plain[13]));
                boot[56..64].copy_from_slice(&cluster.to_le_bytes());
                return boot;
            }
            Form::Fixed => 160,
            Form::Removable => 424,
        };
        let identifier = match self.conversion {
            Conversion::Maps { .. } => "3b4da89280dd0e4d9e4eb1e3284eaed8",
            _ => "3bd66749292ed84a8399f6a339e3d001",
        };
        boot[at..at + 16].copy_from_slice(&hex::decode(identifier).unwrap());
        let mut places = self.metadata.to_vec();
        if let Conversion::Maps { descriptors, .. } = self.conversion {
            places.extend(descriptors);
        }
        for (number, place) in places.iter().enumerate() {
            boot[at + 16 + number * 8..at + 24 + number * 8].copy_from_slice(&place.to_le_bytes());
        }
        boot[510..].copy_from_slice(&[0x55, 0xAA]);
        boot
    }

    fn is_clear(&self, at: u64) -> bool {
        match &self.conversion {
            Conversion::Finished => false,
            Conversion::Below(limit) => at >= *limit,
            Conversion::Maps { chunk, clear, .. } => clear.contains(&(at / chunk)),
        }
    }

    /// The ranges whose plain bytes are zeros, whatever the volume had there; those of the maps among them.
    pub fn zeros(&self, plain: &[u8]) -> Vec<(u64, u64)> {
        let mut zeros: Vec<(u64, u64)> = self.metadata.iter().map(|at| (*at, at + self.region(plain))).collect();
        if self.form != Form::First {
            zeros.push((self.relocated.1, self.relocated.1 + self.relocated.0));
        }
        if let Conversion::Maps { descriptors, map, log, .. } = self.conversion {
            zeros.extend(descriptors.iter().map(|at| (*at, at + self.sector)));
            zeros.extend([(map, map + self.map_bytes(plain)), (log, log + LOG)]);
        }
        zeros
    }

    /// The plain volume as it reads once it is encrypted.
    pub fn plain_of(&self, plain: &[u8]) -> Vec<u8> {
        let mut out = plain.to_vec();
        self.zeros(plain).iter().for_each(|(from, to)| out[index(*from)..index(*to)].fill(0));
        out
    }

    /// The volume as it lies on a drive.
    pub fn encrypt(&self, plain: &[u8]) -> Vec<u8> {
        let cipher = Sectors::new(self.method, self.sector);
        let mut out = plain.to_vec();
        let sector = index(self.sector);
        let never = |at: u64| self.never_written.iter().any(|(from, to)| *from <= at && at < *to);
        let moved = if self.form == Form::First { 8192 } else { self.relocated.0 };
        for (number, bytes) in out.chunks_exact_mut(sector).enumerate() {
            let at = number as u64 * self.sector;
            if at >= moved && !self.is_clear(at) && !never(at) {
                cipher.encrypt(at, bytes);
            }
        }
        if self.form != Form::First {
            let (moved, place) = self.relocated;
            let mut header = plain[..index(moved)].to_vec();
            for (number, bytes) in header.chunks_exact_mut(sector).enumerate() {
                let at = place + number as u64 * self.sector;
                if !self.is_clear(at) {
                    cipher.encrypt(at, bytes);
                }
            }
            out[..index(moved)].fill(0);
            out[index(place)..index(place + moved)].copy_from_slice(&header);
        }
        out[..512].copy_from_slice(&self.boot_sector(plain));
        let block = self.block(plain);
        self.metadata.iter().for_each(|at| out[index(*at)..index(*at) + block.len()].copy_from_slice(&block));
        self.write_maps(plain, &mut out);
        out
    }

    fn record_bytes(&self, plain: &[u8]) -> u64 {
        let Conversion::Maps { chunk, .. } = self.conversion else { return 0 };
        (36 + (plain.len() as u64).div_ceil(chunk).div_ceil(8)).next_multiple_of(512)
    }

    fn map_bytes(&self, plain: &[u8]) -> u64 {
        512 + 2 * self.record_bytes(plain)
    }

    fn write_maps(&self, plain: &[u8], out: &mut [u8]) {
        let Conversion::Maps { chunk, clear, descriptors, map, log } = &self.conversion else { return };
        let (bits, record) = ((plain.len() as u64).div_ceil(*chunk), self.record_bytes(plain));
        let mut descriptor = b"FVE-EOW\0".to_vec();
        [56_u16, 64].iter().for_each(|field| descriptor.extend(field.to_le_bytes()));
        let fields = [self.sector, self.sector, *chunk, LOG, 512, 1, 0];
        fields.iter().for_each(|field| descriptor.extend(u32::try_from(*field).unwrap().to_le_bytes()));
        [descriptors[0], descriptors[1], *map].iter().for_each(|at| descriptor.extend(at.to_le_bytes()));
        sum_at(&mut descriptor, 36);
        for at in descriptors {
            out[index(*at)..index(*at + self.sector)].fill(0);
            out[index(*at)..index(*at) + 64].copy_from_slice(&descriptor);
        }
        let mut whole = b"FVE-EOWBM\0".to_vec();
        whole.extend(60_u16.to_le_bytes());
        whole.extend(u32::try_from(self.map_bytes(plain)).unwrap().to_le_bytes());
        whole.extend(0_u32.to_le_bytes());
        [0, plain.len() as u64, *log].iter().for_each(|field| whole.extend(field.to_le_bytes()));
        [512, 512 + record, record].iter().for_each(|field| whole.extend(u32::try_from(*field).unwrap().to_le_bytes()));
        whole.resize(512, 0);
        sum_at(&mut whole, 56);
        // The older record says that all is encrypted.
        for (sequence, is_newer) in [(4_u64, false), (5, true)] {
            let mut one = b"FVE-EOWBR\0".to_vec();
            one.extend(36_u16.to_le_bytes());
            [record, bits].iter().for_each(|field| one.extend(u32::try_from(*field).unwrap().to_le_bytes()));
            one.extend(sequence.to_le_bytes());
            one.extend([1_u32, 0].iter().flat_map(|field| field.to_le_bytes()));
            one.resize(index(record), 0);
            for bit in (0..bits).filter(|bit| !is_newer || !clear.contains(bit)) {
                one[36 + index(bit / 8)] |= 1 << (bit % 8);
            }
            sum_at(&mut one, 32);
            whole.extend(one);
        }
        out[index(*map)..index(*map) + whole.len()].copy_from_slice(&whole);
        out[index(*log)..index(*log + LOG)].fill(0x4C);
    }
}
