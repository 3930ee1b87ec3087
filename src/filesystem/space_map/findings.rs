//! What may be noticed where the allocation map alone of a volume is read.

use crate::base::finding::{Code, Severity};

/// The map was read: what is in use is known, and not of which file it is.
pub static READ_BY_MAP: Code = Code {
    id: "volume-read-by-map",
    severity: Severity::Note,
    meaning: "What is in use on this volume is known from its allocation map; its files are not read one by one. The plan reads all \
              that is in use and leaves out free space. Folders cannot be chosen there, and no list says which files are complete.",
};

/// The map was read, and what it marks as in use is encrypted in part or in full.
pub static ENCRYPTED_INSIDE: Code = Code {
    id: "volume-encrypted-inside",
    severity: Severity::Caution,
    meaning: "What is in use on this volume is known from its allocation map, which is not encrypted, but files inside open only with a \
              key. Ask the client for the password or recovery key. Metadata with the key material is read first.",
};

/// There is a map, and it is not believed or not readable as a whole.
pub static MAP_UNUSABLE: Code = Code {
    id: "map-unusable",
    severity: Severity::Damage,
    meaning: "The allocation map of this volume cannot be used, so what is in use is not known: all of the volume is planned. When more \
              of its structure is read, the map may be used after all.",
};

/// Part of the map was not read.
pub static MAP_PART_UNREAD: Code = Code {
    id: "map-part-unread",
    severity: Severity::Damage,
    meaning: "Part of the allocation map was not read, so what it describes is planned as if it were in use. Nothing is lost, but more \
              is read. `copy` reads structure first and makes the plan again.",
};

/// Part of the map contradicts its checksum, its count or the rest.
pub static MAP_PART_DOUBTED: Code = Code {
    id: "map-part-doubted",
    severity: Severity::Damage,
    meaning: "Part of the allocation map contradicts its checksum or the volume's own counts, so what it describes is planned as if it \
              were in use. Nothing is left out for that reason; files there may be damaged.",
};

/// A copy stands in for structure that is lost.
pub static MAP_FROM_COPY: Code = Code {
    id: "map-from-copy",
    severity: Severity::Damage,
    meaning: "Structure that leads to the allocation map is damaged, and a copy of it was used, which agrees with the rest of the \
              volume. The files are not affected; a copy needs repair before it can be mounted.",
};

/// The map may be older than the files.
pub static MAP_OLD: Code = Code {
    id: "map-old",
    severity: Severity::Caution,
    meaning: "The allocation map at its place is older than the files; the newer parts of it stand in the journal and were taken from \
              there, as the next mount does. What was written after the last entry in the journal is on no map.",
};

/// An older checkpoint stands in for the newest.
pub static MAP_OF_OLDER_CHECKPOINT: Code = Code {
    id: "map-of-older-checkpoint",
    severity: Severity::Damage,
    meaning: "The newest checkpoint of the container is damaged, or may be. The one before it was used, and with it all that newer chunk \
              information marks as in use; where that cannot be read, all of the container is planned. Files of the last seconds before \
              the drive was disconnected may be missing.",
};

/// What leads to the volumes of a container is lost.
pub static OBJECT_MAP_LOST: Code = Code {
    id: "object-map-lost",
    severity: Severity::Damage,
    meaning: "The object map of the container is damaged in every checkpoint. What is in use is known all the same and planned, but the \
              container cannot be mounted, and its volumes are found only by a search for their structure.",
};

/// The codes of this module.
pub static CODES: &[&Code] =
    &[&READ_BY_MAP, &ENCRYPTED_INSIDE, &MAP_UNUSABLE, &MAP_PART_UNREAD, &MAP_PART_DOUBTED, &MAP_FROM_COPY, &MAP_OLD];
