//! Writing so that a power cut leaves the old file or the new one, whole: temporary file, sync, rename, sync of the folder.
//!
//! Everything is readable by its owner alone.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;

use sha2::{Digest, Sha256};

use super::error::RegistryError;
use super::paths::TEMPORARY;
use super::stop_point::{WritePoints, reach};
use crate::wording::hexadecimal;

/// The SHA-256 of bytes, in hexadecimal.
pub fn digest(bytes: &[u8]) -> String {
    hexadecimal(&Sha256::digest(bytes))
}

/// Writes a file under its name, or leaves what was there.
///
/// # Errors
/// When the system refuses.
pub fn put(folder: &Path, name: &str, bytes: &[u8], points: &WritePoints) -> Result<(), RegistryError> {
    let path = folder.join(name);
    let write = || -> io::Result<()> {
        let mut file = tempfile::Builder::new().prefix(TEMPORARY).tempfile_in(folder)?;
        let (first, rest) = bytes.split_at(bytes.len() / 2);
        file.write_all(first)?;
        reach(points.half_written);
        file.write_all(rest)?;
        file.as_file().sync_all()?;
        reach(points.synced);
        file.persist(&path).map_err(|refused| refused.error)?;
        reach(points.named);
        sync_folder(folder)?;
        reach(points.folder_synced);
        Ok(())
    };
    write().map_err(|error| RegistryError::not_written(&path, &error))
}

/// Writes a new file; refuses if there is one of that name.
///
/// # Errors
/// When there is one, or the system refuses.
pub fn put_new(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut options = fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.mode(0o600);
    }
    let mut file = options.open(path)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    match path.parent() {
        Some(parent) if parent.as_os_str().is_empty() => sync_folder(Path::new(".")),
        Some(parent) => sync_folder(parent),
        None => Ok(()),
    }
}

/// Makes a folder for its owner alone, and those above it.
///
/// # Errors
/// When the system refuses.
pub fn make_folder(folder: &Path) -> Result<(), RegistryError> {
    let mut builder = fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::DirBuilderExt;
        builder.mode(0o700);
    }
    builder.create(folder).map_err(|error| RegistryError::not_written(folder, &error))
}

/// Opens the file that the one writer locks, made if it isn't there.
///
/// # Errors
/// When the system refuses.
pub fn open_lock(path: &Path) -> io::Result<File> {
    let mut options = fs::OpenOptions::new();
    options.write(true).create(true).truncate(false);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.mode(0o600);
    }
    options.open(path)
}

/// Removes a file; one that is gone already is no trouble.
///
/// # Errors
/// When the system refuses.
pub fn remove(path: &Path) -> Result<(), RegistryError> {
    match fs::remove_file(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(RegistryError::not_written(path, &error)),
        _ => Ok(()),
    }
}

/// Makes names and removals in a folder last. Where folders can't be opened as files, the system sees to it.
///
/// # Errors
/// When the system refuses.
pub fn sync_folder(folder: &Path) -> io::Result<()> {
    if cfg!(unix) { File::open(folder)?.sync_all() } else { Ok(()) }
}
