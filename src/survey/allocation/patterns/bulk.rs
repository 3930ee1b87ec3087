//! What is in use but rarely worth a fragile drive's time.

/// The patterns that are `bulk` unless the user says otherwise. `docs/bulk.md` gives the reason for each.
pub const DEFAULT_BULK: [&str; 9] = [
    "/pagefile.sys",
    "/hiberfil.sys",
    "/swapfile.sys",
    "/386spart.par",
    "/save2dsk.bin",
    "/Windows/MEMORY.DMP",
    "/Windows/LiveKernelReports",
    "/Windows/SoftwareDistribution/Download",
    "/$Extend/$UsnJrnl",
];
