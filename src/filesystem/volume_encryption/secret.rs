//! What a client can give: a recovery password, a user password, a start-up key file. Its content decides which it is.

use super::entry::{Entries, kind, value};
use crate::base::fields::{bytes_at, le32};
use sha2::{Digest, Sha256};
use zeroize::Zeroizing;

/// Rounds that make guessing slow.
const ROUNDS: u64 = 0x10_0000;
/// Groups of a recovery password, and digits of each.
const GROUPS: usize = 8;
const DIGITS: usize = 6;

/// A secret, as what it was recognised as.
pub enum Secret {
    /// 48 digits in 8 groups: the hash that is stretched.
    RecoveryPassword(Zeroizing<[u8; 32]>),
    /// Text: the hash that is stretched.
    Password(Zeroizing<[u8; 32]>),
    /// The key in a start-up key file.
    StartupKey(Zeroizing<[u8; 32]>),
}

impl Secret {
    /// What the content of a key file, or what was typed, can be; the most likely first. One that is neither is none.
    pub fn all_in(content: &[u8]) -> Vec<Secret> {
        if let Some(key) = startup_key(content) {
            return vec![Secret::StartupKey(key)];
        }
        let text = text_of(content);
        let digits = text.as_deref().and_then(|text| recovery_groups(text));
        let mut secrets: Vec<Secret> =
            digits.and_then(|groups| recovery_hash(&groups)).map(Secret::RecoveryPassword).into_iter().collect();
        if let Some(text) = text {
            let password = without_line_end(&text);
            let units: Zeroizing<Vec<u8>> =
                Zeroizing::new(password.encode_utf16().flat_map(u16::to_le_bytes).collect());
            let once = Zeroizing::new(<[u8; 32]>::from(Sha256::digest(units.as_slice())));
            secrets.push(Secret::Password(Zeroizing::new(Sha256::digest(once.as_slice()).into())));
        }
        secrets
    }

    /// The group, from 1, that a recovery password was mistyped in: it must be a multiple of 11, and below 720,896.
    pub fn mistyped_group(content: &[u8]) -> Option<usize> {
        let groups = recovery_groups(text_of(content)?.as_str())?;
        groups.iter().position(|group| part_of(*group).is_none()).map(|index| index + 1)
    }
}

/// UTF-8, or UTF-16 behind its mark, as Windows saves recovery passwords.
fn text_of(content: &[u8]) -> Option<Zeroizing<String>> {
    let text = match content {
        [0xFF, 0xFE, units @ ..] => {
            let units: Zeroizing<Vec<u16>> =
                Zeroizing::new(units.chunks_exact(2).map(|unit| u16::from_le_bytes([unit[0], unit[1]])).collect());
            String::from_utf16(&units).ok()?
        }
        [0xEF, 0xBB, 0xBF, text @ ..] | text => str::from_utf8(text).ok()?.to_owned(),
    };
    Some(Zeroizing::new(text))
}

fn without_line_end(text: &str) -> &str {
    let text = text.strip_suffix('\n').unwrap_or(text);
    text.strip_suffix('\r').unwrap_or(text)
}

/// The 8 groups of 6 digits that stand in a text, joined by hyphens or apart by spaces: alone, or on a line of the file that Windows saves.
fn recovery_groups(text: &str) -> Option<[u32; GROUPS]> {
    text.lines().find_map(|line| {
        let mut groups = [0; GROUPS];
        let mut count = 0;
        for part in line.split(|c: char| c == '-' || c.is_whitespace()).filter(|part| !part.is_empty()) {
            let is_group = part.len() == DIGITS && part.bytes().all(|byte| byte.is_ascii_digit());
            *groups.get_mut(count)? = part.parse().ok().filter(|_| is_group)?;
            count += 1;
        }
        (count == GROUPS).then_some(groups)
    })
}

fn part_of(group: u32) -> Option<u16> {
    u16::try_from(group / 11).ok().filter(|_| group.is_multiple_of(11))
}

fn recovery_hash(groups: &[u32; GROUPS]) -> Option<Zeroizing<[u8; 32]>> {
    let mut key = Zeroizing::new([0; 2 * GROUPS]);
    for (bytes, group) in key.chunks_exact_mut(2).zip(groups) {
        bytes.copy_from_slice(&part_of(*group)?.to_le_bytes());
    }
    Some(Zeroizing::new(Sha256::digest(key.as_slice()).into()))
}

/// The key of a start-up key file: a header of 48 bytes as in the metadata, then one entry.
fn startup_key(content: &[u8]) -> Option<Zeroizing<[u8; 32]>> {
    let size = usize::try_from(le32(content, 0)?).ok()?;
    if le32(content, 8) != Some(48) || size > content.len() {
        return None;
    }
    let mut entries = Entries::of(content.get(48..size)?);
    let own = entries.find(|entry| (entry.kind, entry.value) == (kind::STARTUP_KEY, value::EXTERNAL_KEY))?;
    let key = own.properties().find_map(|entry| entry.key())?.1;
    bytes_at(key, 0).map(Zeroizing::new)
}

/// Makes the key of a hash and a salt: slow, so that guessing is.
pub fn stretch(hash: &[u8; 32], salt: &[u8; 16]) -> Zeroizing<[u8; 32]> {
    // Last hash, first hash, salt, number of the round.
    let mut input = Zeroizing::new([0u8; 88]);
    input[32..64].copy_from_slice(hash);
    input[64..80].copy_from_slice(salt);
    for round in 0..ROUNDS {
        input[80..].copy_from_slice(&round.to_le_bytes());
        let last = Sha256::digest(input.as_slice());
        input[..32].copy_from_slice(&last);
    }
    Zeroizing::new(bytes_at(input.as_slice(), 0).expect("88 bytes have 32"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hex32(text: &str) -> [u8; 32] {
        hex::decode(text).unwrap().try_into().unwrap()
    }

    const DIGITS_GIVEN: &str = "235818-357951-253979-013365-241120-245575-342914-591910";

    // Source: cryptsetup's sample `bitlk-aes-xts-128.img`, whose password and recovery password its images.conf publishes; the
    // values between were computed with Python's hashlib.
    #[test]
    fn a_password_is_stretched_as_the_sample_has_it() {
        let secrets = Secret::all_in(b"anaconda\r\n");
        let [Secret::Password(hash)] = secrets.as_slice() else { panic!("a password") };
        assert_eq!(**hash, hex32("0d6cbf9e5d75af220d7ac3e9f35d05f56952608dd1dacb31774452c489eadc51"));
        let salt = hex::decode("8d7637cc5d885d5ff4f748dbc8440d2e").unwrap().try_into().unwrap();
        let key = hex32("37554410c6e0df5b4fe096259f4a21b847338d3e8d8d8d8c30012d1447cca957");
        assert_eq!(*stretch(hash, &salt), key);
    }

    #[test]
    fn recovery_passwords_are_found_in_any_text() {
        let typed = format!("{DIGITS_GIVEN}\n");
        let spaced = DIGITS_GIVEN.replace('-', " ");
        let page = format!("Recovery key\r\n\r\n    {DIGITS_GIVEN}\r\n\r\nKeep it.\r\n");
        let wide: Vec<u8> = [0xFF, 0xFE].into_iter().chain(page.encode_utf16().flat_map(u16::to_le_bytes)).collect();
        for content in [typed.as_bytes(), spaced.as_bytes(), page.as_bytes(), &wide] {
            let secrets = Secret::all_in(content);
            let Some(Secret::RecoveryPassword(hash)) = secrets.first() else { panic!("a recovery password") };
            let key = hex::decode("be531d7f315abf04a0553557c67932d2").unwrap();
            assert_eq!(hash.as_slice(), Sha256::digest(key).as_slice());
        }
        assert_eq!(Secret::mistyped_group(typed.as_bytes()), None);
        assert_eq!(Secret::mistyped_group(typed.replace("253979", "253978").as_bytes()), Some(3));
        assert_eq!(
            Secret::mistyped_group(typed.replace("591910", "999999").as_bytes()),
            Some(8),
            "999999 / 11 = 90909"
        );
        assert_eq!(Secret::mistyped_group(b"235818-357951"), None);
    }

    #[test]
    fn text_that_is_no_text_is_no_key() {
        assert!(Secret::all_in(&[0xC3, 0x28, 0xFF]).is_empty());
        assert!(matches!(Secret::all_in(b"").as_slice(), [Secret::Password(_)]));
    }
}
