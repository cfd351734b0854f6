//! Named points at which a test may end the process, as a power cut would. Builds for use don't have them.

/// The points of writing one file.
#[derive(Clone, Copy, Debug)]
pub struct WritePoints {
    /// Half of the bytes are written.
    pub half_written: &'static str,
    /// All bytes are on the disk, under a temporary name.
    pub synced: &'static str,
    /// The file has its name.
    pub named: &'static str,
    /// The name is on the disk.
    pub folder_synced: &'static str,
}

/// Points of a batch file.
pub const BATCH_FILE: WritePoints = WritePoints {
    half_written: "batch-file-half-written",
    synced: "batch-file-synced",
    named: "batch-file-named",
    folder_synced: "batch-folder-synced",
};

/// Points of a numbered manifest.
pub const NUMBERED_MANIFEST: WritePoints = WritePoints {
    half_written: "numbered-manifest-half-written",
    synced: "numbered-manifest-synced",
    named: "numbered-manifest-named",
    folder_synced: "numbered-manifest-folder-synced",
};

/// Points of the manifest that counts.
pub const MANIFEST: WritePoints = WritePoints {
    half_written: "manifest-half-written",
    synced: "manifest-synced",
    named: "manifest-named",
    folder_synced: "manifest-folder-synced",
};

/// The lock is held, nothing is done.
pub const LOCKED: &str = "locked";
/// What an interrupted run left is swept.
pub const SWEPT: &str = "swept";
/// All rows have come in; those that don't fit into memory are on the disk.
pub const STAGED: &str = "staged";
/// Rows are put down by part, if there is more than one.
pub const PARTED: &str = "parted";
/// All batch files are on the disk.
pub const FILES_READY: &str = "files-ready";
/// One of the files that a withdrawal replaced is removed.
pub const ONE_REMOVED: &str = "one-replaced-file-removed";
/// All of them are removed.
pub const ALL_REMOVED: &str = "replaced-files-removed";

/// Every point, in the order in which a commit of few rows or a withdrawal passes them. Rows that are staged on the disk pass the first
/// points of their batch file before they are all there.
pub const ALL: &[&str] = &[
    LOCKED,
    SWEPT,
    STAGED,
    PARTED,
    BATCH_FILE.half_written,
    BATCH_FILE.synced,
    BATCH_FILE.named,
    BATCH_FILE.folder_synced,
    FILES_READY,
    MANIFEST.half_written,
    MANIFEST.synced,
    MANIFEST.named,
    MANIFEST.folder_synced,
    NUMBERED_MANIFEST.half_written,
    NUMBERED_MANIFEST.synced,
    NUMBERED_MANIFEST.named,
    NUMBERED_MANIFEST.folder_synced,
    ONE_REMOVED,
    ALL_REMOVED,
];

/// Ends the process if `MANEBIT_STOP_AT` names this point; `point:2` means the second time that it is passed.
#[cfg(debug_assertions)]
pub fn reach(point: &str) {
    use std::sync::atomic::{AtomicU32, Ordering};
    static PASSED: AtomicU32 = AtomicU32::new(0);
    let Some(wanted) = std::env::var_os("MANEBIT_STOP_AT") else { return };
    let wanted = wanted.to_string_lossy();
    let (name, time) = wanted.split_once(':').map_or((&*wanted, 1), |(name, time)| (name, time.parse().unwrap_or(1)));
    if name == point && PASSED.fetch_add(1, Ordering::Relaxed) + 1 == time {
        std::process::abort();
    }
}

/// Builds for use pass every point.
#[cfg(not(debug_assertions))]
pub const fn reach(_point: &str) {}
