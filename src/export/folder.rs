//! Whole files or none, never over others, readable by their owner alone.
//!
//! A file is written under a temporary name in its own folder, brought to the disk, and put in its place only where nothing is. A
//! run that ends early leaves at most a file whose name begins with `.export-`, which no command reads.

use std::fs::{DirBuilder, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use super::ExportError;

/// A file under its temporary name.
pub struct Ready {
    temporary: NamedTempFile,
    path: PathBuf,
}

/// A folder that goes again, if it is new and empty, unless it is kept.
pub struct NewFolder<'a>(Option<&'a Path>);

impl<'a> NewFolder<'a> {
    /// Makes a folder that may be there.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn make(folder: &'a Path) -> Result<Self, ExportError> {
        let is_new = !folder.exists();
        let mut builder = DirBuilder::new();
        builder.recursive(true);
        #[cfg(unix)]
        std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
        builder.create(folder).map_err(|error| ExportError::NotWritten(folder.to_owned(), error.to_string()))?;
        Ok(Self(is_new.then_some(folder)))
    }

    /// Keeps it.
    pub const fn keep(&mut self) {
        self.0 = None;
    }
}

impl Drop for NewFolder<'_> {
    fn drop(&mut self) {
        if let Some(folder) = self.0 {
            // Only an empty folder goes.
            let _ = std::fs::remove_dir(folder);
        }
    }
}

/// Fills a file under a temporary name beside its place, and brings it to the disk.
///
/// # Errors
/// When the system refuses, or what filling says.
pub fn write_beside<E: From<ExportError>>(
    path: &Path,
    fill: impl FnOnce(&mut BufWriter<&mut File>) -> Result<(), E>,
) -> Result<Ready, E> {
    let refused = |error: std::io::Error| ExportError::NotWritten(path.to_owned(), error.to_string());
    let folder = path.parent().unwrap_or(Path::new("."));
    // Such files are their owner's alone from the start.
    let mut temporary = tempfile::Builder::new().prefix(".export-").tempfile_in(folder).map_err(refused)?;
    let mut writer = BufWriter::with_capacity(1 << 20, temporary.as_file_mut());
    fill(&mut writer)?;
    writer.flush().map_err(refused)?;
    drop(writer);
    temporary.as_file().sync_all().map_err(refused)?;
    Ok(Ready { temporary, path: path.to_owned() })
}

/// Puts files in their places, all of them or none.
///
/// # Errors
/// When something is in a place already, or the system refuses.
pub fn put_in_place(folder: &Path, files: Vec<Ready>) -> Result<(), ExportError> {
    let mut placed: Vec<PathBuf> = Vec::new();
    for Ready { temporary, path } in files {
        if let Err(refused) = temporary.persist_noclobber(&path) {
            // Those that were just placed go again.
            for one in &placed {
                let _ = std::fs::remove_file(one);
            }
            return Err(match refused.error.kind() {
                std::io::ErrorKind::AlreadyExists => ExportError::There(path),
                _ => ExportError::NotWritten(path, refused.error.to_string()),
            });
        }
        placed.push(path);
    }
    #[cfg(unix)]
    let _ = File::open(folder).and_then(|folder| folder.sync_all());
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Something may have come into a place since it was looked at.
    #[test]
    fn where_one_place_is_taken_all_others_stay_empty() {
        let folder = tempfile::tempdir().expect("a folder");
        let ready = |name: &str| {
            let fill = |file: &mut BufWriter<&mut File>| {
                file.write_all(b"new").map_err(|error| ExportError::Fault(error.to_string()))
            };
            write_beside(&folder.path().join(name), fill).unwrap_or_else(|error| panic!("{error}"))
        };
        let files = vec![ready("placements.csv"), ready("visits.csv")];
        std::fs::write(folder.path().join("visits.csv"), "mine").expect("written");
        let error = put_in_place(folder.path(), files).expect_err("taken");
        assert!(matches!(error, ExportError::There(path) if path.ends_with("visits.csv")));
        let names: Vec<_> =
            std::fs::read_dir(folder.path()).expect("a folder").flatten().map(|one| one.file_name()).collect();
        assert_eq!(names, ["visits.csv"]);
        assert_eq!(std::fs::read(folder.path().join("visits.csv")).expect("it"), b"mine");
    }
}
