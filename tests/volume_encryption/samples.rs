//! Volumes that Windows made, with published keys (cryptsetup, tests/bitlk-images): thinned to their metadata, but the SHA-256 of each
//! plain volume is published too.

use super::{keys, unpack};
use gleaner::filesystem::volume_encryption::{OpenedEncryption, Protector, open};
use gleaner::source::{Reader, Window};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::path::Path;

const ARCHIVE: &str = "cryptsetup-bitlk-images.tar.xz";

/// The sections of `images.conf`: names and values by image.
fn published(folder: &Path) -> BTreeMap<String, BTreeMap<String, String>> {
    let text = std::fs::read_to_string(folder.join("images.conf")).expect("the list of the archive");
    let mut all: BTreeMap<String, BTreeMap<String, String>> = BTreeMap::new();
    let mut section = String::new();
    for line in text.lines() {
        if let Some(name) = line.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')) {
            section = name.to_owned();
        } else if let Some((name, value)) = line.split_once('=').filter(|(_, value)| !value.is_empty()) {
            all.entry(section.clone()).or_default().insert(name.to_owned(), value.to_owned());
        }
    }
    all
}

fn reader(path: &Path, key: &[u8]) -> Reader {
    let source = gleaner::source::open(path, None).expect("an image");
    Reader::new(source, None).with_keys(keys(&[key]))
}

fn opened(reader: &Reader) -> Option<Box<OpenedEncryption>> {
    open(&Window::new(reader, reader.identity().extent())).unwrap().opened
}

fn sum(reader: &Reader, opened: &OpenedEncryption) -> String {
    let window = Window::new(reader, reader.identity().extent()).through(&opened.view);
    let mut sum = Sha256::new();
    window
        .stream(&[window.extent()], |block| {
            sum.update(block.bytes);
            ControlFlow::Continue(())
        })
        .unwrap();
    hex::encode(sum.finalize())
}

#[test]
fn samples_decrypt_to_their_published_sums() {
    let Some(folder) = unpack::folder("volumes that Windows encrypted") else { return };
    let scratch = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let images = unpack::unpack(&folder.join(ARCHIVE), scratch.path());
    let inside = images[0].1.parent().unwrap().to_owned();
    let published = published(&inside);
    let (mut sums, mut ways) = (0, BTreeMap::<&str, u32>::new());
    for (name, path) in &images {
        let own = &published[name.strip_suffix(".img").unwrap()];
        let mut given: Vec<(Protector, Vec<u8>)> = Vec::new();
        for (field, protector) in
            [("PW", Protector::Password), ("RP", Protector::RecoveryPassword), ("RP2", Protector::RecoveryPassword)]
        {
            given.extend(own.get(field).map(|text| (protector, text.clone().into_bytes())));
        }
        if let Some(guid) = own.get("SK_VMK_GUID") {
            let file = inside.join(format!("{}.BEK", guid.to_uppercase()));
            given.push((Protector::StartupKey, std::fs::read(file).unwrap()));
        }
        if own.contains_key("CLEARKEY_VMK_GUID") {
            given.push((Protector::ClearKey, b"none of them".to_vec()));
        }
        assert!(!given.is_empty(), "{name}: no key is published");
        for (number, (protector, key)) in given.iter().enumerate() {
            let reader = reader(path, key);
            let opened = opened(&reader);
            // Of these two the list of maps is thinned away.
            let Some(expected) = own.get("SHA256SUM") else { continue };
            let opened = opened.unwrap_or_else(|| panic!("{name} is not opened by {protector:?}"));
            assert_eq!(opened.opened_by, *protector, "{name}");
            *ways.entry(protector.name()).or_default() += 1;
            if number == 0 {
                assert_eq!(sum(&reader, &opened), *expected, "{name}");
                sums += 1;
            }
        }
        let wrong = reader(path, b"not the password");
        let is_clear = own.contains_key("CLEARKEY_VMK_GUID");
        assert_eq!(self::opened(&wrong).is_some(), is_clear, "{name}: another key");
    }
    assert_eq!((images.len(), sums), (21, 19));
    assert!(ways.len() == 4, "{ways:?}");
}
