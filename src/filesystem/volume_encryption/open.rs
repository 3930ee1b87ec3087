//! From the boot sector and the keys to a volume that can be read.

use super::cipher::{Method, unseal};
use super::entry::{Entries, Entry, value};
use super::findings as found;
use super::layout::Layout;
use super::maps::{ConversionMap, MapsDescriptor};
use super::metadata::{Block, BlockFault};
use super::secret::{Secret, stretch};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::fields::bytes_at;
use crate::base::finding::{Code, Finding, Findings};
use crate::partition::boot_sign;
use crate::partition::signature::{self, EncryptedBoot, EncryptedForm};
use crate::source::{Keys, PlainView, SectorCipher, SourceLost, Window};
use serde::Serialize;
use std::sync::Arc;
use zeroize::Zeroizing;

/// Bytes of the first version's boot sector and the code behind it, which stay in the clear.
const FIRST_CLEAR: u64 = 8 << 10;

/// Most bytes of maps that are read of a volume.
const MOST_MAP_BYTES: u64 = 64 << 20;

/// Most blocks of metadata that are read: there are three, and each names three.
const MOST_BLOCKS: usize = 9;

/// What opens a volume.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Protector {
    /// A key that stands on the volume in the clear.
    ClearKey,
    /// The machine's security chip, alone or with something else: opens only there.
    SecurityChip,
    /// A start-up key file.
    StartupKey,
    /// 48 digits.
    RecoveryPassword,
    /// A smart card.
    SmartCard,
    /// A user password.
    Password,
    /// Something else.
    Other,
}

impl Protector {
    fn of(number: u16) -> Protector {
        match number {
            0x0000 => Protector::ClearKey,
            0x0200 => Protector::StartupKey,
            0x0800 => Protector::RecoveryPassword,
            0x1000 => Protector::SmartCard,
            0x2000 => Protector::Password,
            other if other & 0x0100 != 0 => Protector::SecurityChip,
            _ => Protector::Other,
        }
    }

    /// What people call it.
    pub fn name(self) -> &'static str {
        match self {
            Protector::ClearKey => "key in the clear on the volume",
            Protector::SecurityChip => "security chip of its machine",
            Protector::StartupKey => "start-up key file",
            Protector::RecoveryPassword => "recovery password",
            Protector::SmartCard => "smart card",
            Protector::Password => "user password",
            Protector::Other => "something that is not known",
        }
    }
}

/// An encrypted volume that was opened.
#[derive(Clone, Debug)]
pub struct OpenedEncryption {
    /// How its plain bytes are made.
    pub view: Arc<PlainView>,
    /// The sector that it was recognised by, on the drive.
    pub boot: Extent,
    /// Everything else without which it does not open, on the drive: metadata, maps, and its first sectors where they were moved to.
    pub structure: ExtentSet,
    /// How sectors are encrypted.
    pub method: Method,
    /// What opened it.
    pub opened_by: Protector,
}

/// What came of opening a volume.
pub struct Attempt {
    /// The volume, where it was opened.
    pub opened: Option<Box<OpenedEncryption>>,
    /// What was noticed.
    pub findings: Findings,
    /// What the metadata tell without a key: name and value.
    pub facts: Vec<(&'static str, String)>,
    /// Places without which no key opens the volume, on the drive.
    pub structure: ExtentSet,
}

/// Opens the volume in `window` with the reader's keys, or with a key that stands on it in the clear.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub fn open(window: &Window<'_>) -> Result<Attempt, SourceLost> {
    let mut attempt =
        Attempt { opened: None, findings: Findings::new(), facts: Vec::new(), structure: ExtentSet::new() };
    let first = window.read(0, 512)?;
    let by_sector = first.as_ref().and_then(|block| EncryptedBoot::parse(&block.bytes));
    let boot = match by_sector {
        None => signature::encrypted_boot_by_block(window)?,
        by_sector => by_sector,
    };
    let Some(boot) = boot else { return Ok(attempt) };
    let mut places = boot.metadata.clone();
    let mut damaged: Vec<(u64, Block)> = Vec::new();
    let mut next = 0;
    while let Some(at) = places.get(next).copied() {
        next += 1;
        match read_block(window, &boot, at)? {
            Ok((block, None)) => {
                let others = block.places.into_iter().filter(|place| *place > 0 && !places.contains(place));
                places.extend(others.collect::<Vec<_>>());
                places.truncate(MOST_BLOCKS);
                attempt.tell(window, &boot, &block);
                if attempt.with_block(window, &boot, &block)? {
                    return Ok(attempt);
                }
                attempt.note_copy(window, at, "what it seals cannot be opened, although the key fits");
            }
            Ok((block, Some(fault))) => {
                attempt.note_copy(window, at, &fault.to_string());
                damaged.push((at, block));
            }
            Err(why) => attempt.note_copy(window, at, &why),
        }
    }
    // The boxes in a block prove themselves.
    for (_, block) in &damaged {
        attempt.tell(window, &boot, block);
        if attempt.with_block(window, &boot, block)? && attempt.opened.is_some() {
            return Ok(attempt);
        }
    }
    let sentence = format!("None of {} blocks of encryption metadata can be used.", places.len());
    attempt.findings.push(Finding::at(&found::METADATA_LOST, window.absolute(0), sentence));
    Ok(attempt)
}

/// A block, or why there is none.
fn read_block(
    window: &Window<'_>,
    boot: &EncryptedBoot,
    at: u64,
) -> Result<Result<(Block, Option<BlockFault>), String>, SourceLost> {
    let left = window.extent().bytes.saturating_sub(at);
    let absent = || Ok(Err("it does not lie in the volume".to_owned()));
    let Some(start) = window.read(at, Block::FIRST_READ.min(left))? else { return absent() };
    let needed = Block::needed(&start.bytes).unwrap_or(Block::FIRST_READ).max(Block::FIRST_READ);
    let Some(block) = window.read(at, needed.min(left))? else { return absent() };
    if !block.unreadable.is_empty() && Block::parse(&block.bytes, boot).is_err() {
        return Ok(Err("it was not read".to_owned()));
    }
    Ok(Block::parse(&block.bytes, boot).map_err(|fault| fault.to_string()))
}

/// What the sectors' key is sealed in, and what unsealed that.
struct MasterKey {
    key: Zeroizing<[u8; 32]>,
    protector: Protector,
}

impl Attempt {
    fn note(&mut self, code: &'static Code, window: &Window<'_>, sentence: impl Into<String>) {
        self.findings.push(Finding::at(code, window.absolute(0), sentence));
    }

    fn note_copy(&mut self, window: &Window<'_>, at: u64, why: &str) {
        let sentence = format!("The block of encryption metadata at byte {at} of the volume: {why}.");
        self.findings.push(Finding::at(&found::METADATA_COPY, window.absolute(at), sentence));
    }

    /// What a block tells without a key.
    fn tell(&mut self, window: &Window<'_>, boot: &EncryptedBoot, block: &Block) {
        let mut names: Vec<&str> = Vec::new();
        for protector in block.protectors().filter_map(|entry| entry.protector()).map(Protector::of) {
            if !names.contains(&protector.name()) {
                names.push(protector.name());
            }
        }
        if names.is_empty() {
            names.push("nothing that is known");
        }
        self.facts = vec![("opens with", names.join(", "))];
        let on_drive = |(at, bytes): (u64, u64)| {
            let start = window.extent().start.0.checked_add(at)?;
            Extent::new(start, bytes)?.intersection(&window.extent())
        };
        let blocks = block.places.into_iter().filter(|at| *at > 0).map(|at| (at, boot.metadata_bytes));
        let moved = block.relocated.into_iter().flat_map(|(bytes, at)| [(at, bytes), (0, bytes)]);
        let places: Vec<Extent> = blocks.chain(moved).filter_map(on_drive).collect();
        self.structure.extend(places);
    }

    /// Whether a block settles the matter: by opening the volume, or by proving that no key fits. If not, another copy may.
    fn with_block(&mut self, window: &Window<'_>, boot: &EncryptedBoot, block: &Block) -> Result<bool, SourceLost> {
        let Some(master) = master_key(block, window.reader().keys()) else { return Ok(true) };
        let sealed = block.sector_key().and_then(|entry| unseal(&master.key, entry.data));
        let Some(sealed) = sealed else { return Ok(false) };
        let Some((number, key)) = Entries::of(&sealed).next().and_then(|entry| entry.key()) else { return Ok(false) };
        let Some(method) = Method::of(number) else {
            self.note(&found::METHOD_UNKNOWN, window, format!("The sectors' method has the number {number:#06x}."));
            return Ok(true);
        };
        let Some(cipher) = method.cipher(key, boot.sector_bytes) else { return Ok(false) };
        self.note_proof(window, block, &master.key);
        let cipher = match boot.form {
            EncryptedForm::First => Arc::new(FirstVersion { cipher, mirror_cluster: block.mirror_cluster }),
            EncryptedForm::Fixed | EncryptedForm::Removable => cipher,
        };
        let Some(layout) = self.layout(window, boot, block)? else { return Ok(true) };
        let Some(view) = view_of(window, layout, &cipher)? else {
            let sentence = "The places that the metadata give do not fit the volume.";
            self.note(&found::LAYOUT_LOST, window, sentence);
            return Ok(true);
        };
        let how = match master.protector {
            Protector::ClearKey => &found::KEY_IN_CLEAR,
            _ => &found::OPENED,
        };
        self.note(how, window, format!("Opened by {}, {}.", master.protector.name(), method.name()));
        let start = window.extent().start.0;
        self.opened = Some(Box::new(OpenedEncryption {
            view,
            boot: Extent::between(start, start + boot.sector_bytes),
            structure: self.structure.clone(),
            method,
            opened_by: master.protector,
        }));
        Ok(true)
    }

    /// The block's own proof, which opens with the master key.
    fn note_proof(&mut self, window: &Window<'_>, block: &Block, master: &[u8; 32]) {
        let Some((sealed, hash)) = block.proof() else { return };
        let proven = unseal(master, sealed);
        let stored = proven.as_ref().and_then(|content| Entries::of(content).next()?.key());
        if stored.is_none_or(|(_, stored)| stored != hash) {
            self.note(&found::METADATA_CHANGED, window, "The hash that is sealed in the metadata is not theirs.");
        }
    }

    /// Where the plain bytes are stored; `None` when that is lost.
    fn layout(
        &mut self,
        window: &Window<'_>,
        boot: &EncryptedBoot,
        block: &Block,
    ) -> Result<Option<Layout>, SourceLost> {
        let volume_bytes = window.extent().bytes;
        let mut zeros = ExtentSet::new();
        let own = block.places.into_iter().filter(|at| *at > 0).map(|at| Extent::new(at, boot.metadata_bytes));
        zeros.extend(own.flatten());
        zeros.extend(block.relocated.and_then(|(bytes, at)| Extent::new(at, bytes)));
        let mut clear = ExtentSet::new();
        let limit = block.encrypted_bytes;
        match (boot.form, block.state) {
            // The first two sectors' worth of code stays as it was.
            (EncryptedForm::First, _) => {
                clear.insert(Extent::between(boot.sector_bytes, FIRST_CLEAR.min(volume_bytes)));
            }
            (_, 1) => clear.insert(Extent::between(0, volume_bytes)),
            _ if (1..volume_bytes).contains(&limit) => {
                clear.insert(Extent::between(limit, volume_bytes));
                if block.state == 2 {
                    zeros.extend(Extent::new(limit, block.log_bytes));
                }
            }
            _ => {}
        }
        if !boot.maps.is_empty() {
            let Some((maps, own)) = read_maps(window, boot)? else {
                let sentence = "The maps that tell which parts of the volume are encrypted cannot be used.";
                self.note(&found::LAYOUT_LOST, window, sentence);
                return Ok(None);
            };
            clear.extend(maps.iter().flat_map(|map| map.clear.extents().iter().copied()));
            let start = window.extent().start.0;
            let on_drive = own.extents().iter().map(|part| Extent::between(start + part.start.0, start + part.end()));
            self.structure.extend(on_drive.filter_map(|part| part.intersection(&window.extent())).collect::<Vec<_>>());
            zeros.extend(own.extents().iter().copied());
        }
        let in_clear: u64 = clear.bytes_within(Extent::between(FIRST_CLEAR, volume_bytes));
        if in_clear > 0 {
            self.note(&found::PARTLY, window, format!("{in_clear} of {volume_bytes} bytes are stored in the clear."));
        }
        Ok(Some(Layout {
            volume_bytes,
            sector_bytes: boot.sector_bytes,
            relocated: block.relocated,
            zeros,
            clear,
            relocated_is_clear: None,
        }))
    }
}

/// The key that the key of the sectors is sealed with. Every key is tried, also when one before has fitted, so that one of no use is
/// known; a key in the clear comes last.
fn master_key(block: &Block, keys: &Keys) -> Option<MasterKey> {
    let mut master = None;
    for (index, content) in keys.contents().enumerate() {
        let secrets = Secret::all_in(content);
        let opened = block.protectors().find_map(|entry| {
            let protector = Protector::of(entry.protector()?);
            let key = secrets.iter().find_map(|secret| unlock(entry, protector, secret, index, keys))?;
            Some(MasterKey { key, protector })
        });
        if opened.is_some() {
            keys.note_opened(index);
        }
        master = master.or(opened);
    }
    master.or_else(|| {
        let in_clear = |entry: &Entry<'_>| entry.protector().map(Protector::of) == Some(Protector::ClearKey);
        block.protectors().filter(in_clear).find_map(|entry| {
            let (_, key) = entry.properties().find_map(|property| property.key())?;
            Some(MasterKey { key: sealed_in(entry, &bytes_at(key, 0)?)?, protector: Protector::ClearKey })
        })
    })
}

/// What a protector holds, if the secret opens it.
fn unlock(
    entry: Entry<'_>,
    protector: Protector,
    secret: &Secret,
    index: usize,
    keys: &Keys,
) -> Option<Zeroizing<[u8; 32]>> {
    let hash = match (protector, secret) {
        (Protector::StartupKey, Secret::StartupKey(key)) => return sealed_in(entry, key),
        (Protector::RecoveryPassword, Secret::RecoveryPassword(hash))
        | (Protector::Password, Secret::Password(hash)) => hash,
        _ => return None,
    };
    let salt = entry.properties().find_map(|property| property.salt())?;
    sealed_in(entry, &keys.derived(index, salt, || stretch(hash, &salt)))
}

/// The master key in a protector's own box.
fn sealed_in(protector: Entry<'_>, key: &[u8; 32]) -> Option<Zeroizing<[u8; 32]>> {
    protector.properties().filter(|property| property.value == value::SEALED).find_map(|property| {
        let content = unseal(key, property.data)?;
        let (_, master) = Entries::of(&content).next()?.key()?;
        bytes_at(master, 0).map(Zeroizing::new)
    })
}

/// The maps, and the places that they and what belongs to them occupy; `None` when one of them cannot be used.
fn read_maps(window: &Window<'_>, boot: &EncryptedBoot) -> Result<Option<(Vec<ConversionMap>, ExtentSet)>, SourceLost> {
    let whole = |bytes: u64| bytes.checked_next_multiple_of(boot.sector_bytes);
    let mut own = ExtentSet::new();
    let mut descriptor = None;
    for at in &boot.maps {
        if descriptor.is_some() {
            break;
        }
        let Some(start) = window.read(*at, MapsDescriptor::HEADER)? else { continue };
        let Some(needed) = MapsDescriptor::needed(&start.bytes) else { continue };
        let whole = window.read(*at, needed)?;
        descriptor = whole.and_then(|block| MapsDescriptor::parse(&block.bytes));
    }
    let Some(descriptor) = descriptor else { return Ok(None) };
    own.extend(boot.maps.iter().filter_map(|at| Extent::new(*at, whole(descriptor.bytes)?)));
    let mut maps: Vec<ConversionMap> = Vec::new();
    let mut read_bytes = 0u64;
    for at in &descriptor.maps {
        let Some(start) = window.read(*at, ConversionMap::HEADER)? else { return Ok(None) };
        let Some(needed) = ConversionMap::needed(&start.bytes) else { return Ok(None) };
        read_bytes = needed.saturating_add(read_bytes);
        if read_bytes > MOST_MAP_BYTES {
            return Ok(None);
        }
        let block = window.read(*at, needed)?;
        let map = block.and_then(|block| ConversionMap::parse(&block.bytes, descriptor.chunk_bytes));
        let Some(map) = map else { return Ok(None) };
        own.extend(whole(map.bytes).and_then(|bytes| Extent::new(*at, bytes)));
        own.extend(whole(descriptor.log_bytes).and_then(|bytes| Extent::new(map.log, bytes)));
        maps.push(map);
    }
    Ok(Some((maps, own)))
}

/// The view of a layout. Whether the sectors that were moved are encrypted shows in the first: a volume begins there.
fn view_of(
    window: &Window<'_>,
    layout: Layout,
    cipher: &Arc<dyn SectorCipher>,
) -> Result<Option<Arc<PlainView>>, SourceLost> {
    let start = window.extent().start.0;
    let view = |layout: &Layout| {
        let parts = layout.parts(start);
        PlainView::new(window.extent(), layout.sector_bytes, parts, Arc::clone(cipher)).map(Arc::new)
    };
    let by_place = view(&layout);
    if layout.relocated.is_none() || layout.clear.is_empty() {
        return Ok(by_place);
    }
    for is_clear in [None, Some(false), Some(true)] {
        let Some(view) = view(&Layout { relocated_is_clear: is_clear, ..layout.clone() }) else { continue };
        let first = window.through(&view).read(0, 512)?;
        if first.is_some_and(|block| boot_sign::recognise(&block.bytes).is_some()) {
            return Ok(Some(view));
        }
    }
    Ok(by_place)
}

/// The first version of the format has its boot sector where NTFS has its own: two fields of it are put back.
struct FirstVersion {
    cipher: Arc<dyn SectorCipher>,
    mirror_cluster: u64,
}

impl SectorCipher for FirstVersion {
    fn decrypt(&self, at: u64, sector: &mut [u8]) {
        if at > 0 {
            return self.cipher.decrypt(at, sector);
        }
        if let Some(name) = sector.get_mut(3..11) {
            name.copy_from_slice(b"NTFS    ");
        }
        if let Some(mirror) = sector.get_mut(56..64) {
            mirror.copy_from_slice(&self.mirror_cluster.to_le_bytes());
        }
    }
}
