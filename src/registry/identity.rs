//! The key that turns patient ids into pseudonyms: HMAC-SHA-256 (RFC 2104, FIPS 198-1), so that without the key nobody can try ids.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

use hmac::{Hmac, KeyInit, Mac};
use polars::prelude::{DataFrame, IntoColumn, NewChunkedArray, StringChunked};
use sha2::Sha256;

use super::durable::put_new;
use super::error::RegistryError;
use super::manifest::Identity;
use crate::wording::hexadecimal;

/// How pseudonyms begin.
pub const PREFIX: &str = "px-";
const PSEUDONYM_BYTES: usize = 16;
const FINGERPRINT_TEXT: &[u8] = b"manebit registry key fingerprint";
const COMMENT: &str = "# Key of a manebit registry: it turns patient ids into pseudonyms.\n# Keep it apart from the registry, and a copy in a second safe place. It can't be made again.\n";

/// A secret key of 32 bytes.
#[derive(Clone, PartialEq, Eq)]
pub struct Key([u8; 32]);

impl fmt::Debug for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Key(secret)")
    }
}

impl Key {
    /// A key from its bytes.
    pub const fn new(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }

    /// Makes a key from the system's random source and writes it to a new file, for its owner alone.
    ///
    /// # Errors
    /// When the file lies in the registry's folder, is there already, or can't be written; when there is no random source.
    pub fn write_fresh(path: &Path, registry: &Path) -> Result<Self, RegistryError> {
        refuse_inside(path, registry)?;
        let mut bytes = [0; 32];
        getrandom::fill(&mut bytes).map_err(|error| {
            RegistryError::KeyFile(path.to_owned(), format!("no random key could be made: {error}. Mend: run it again."))
        })?;
        let text = format!("{COMMENT}{}\n", hexadecimal(&bytes));
        put_new(path, text.as_bytes()).map_err(|error| match error.kind() {
            io::ErrorKind::AlreadyExists => RegistryError::KeyFile(
                path.to_owned(),
                "there is such a file already, and it may be the key of another registry. Mend: choose another name."
                    .to_owned(),
            ),
            _ => RegistryError::not_written(path, &error),
        })?;
        Ok(Self(bytes))
    }

    /// Reads a key file.
    ///
    /// # Errors
    /// When it lies in the registry's folder, can't be read, or holds no key.
    pub fn read(path: &Path, registry: &Path) -> Result<Self, RegistryError> {
        refuse_inside(path, registry)?;
        let read = std::fs::read(path).map_err(|error| RegistryError::not_read(path, &error))?;
        let text = String::from_utf8_lossy(&read);
        let digits: Vec<&str> =
            text.lines().map(str::trim).filter(|line| !line.is_empty() && !line.starts_with('#')).collect();
        let bytes = match digits.as_slice() {
            [one] => bytes(one),
            _ => None,
        };
        bytes.map(Self).ok_or_else(|| {
            let what = "it holds no key (one line of 64 hexadecimal digits). Mend: give the file that manebit init wrote.";
            RegistryError::KeyFile(path.to_owned(), what.to_owned())
        })
    }

    /// Tells this key from others, without telling the key.
    pub fn fingerprint(&self) -> String {
        hexadecimal(&self.code(FINGERPRINT_TEXT))
    }

    /// The pseudonym of a patient.
    pub fn pseudonym(&self, patient: &str) -> String {
        format!("{PREFIX}{}", hexadecimal(&self.code(patient.as_bytes())[..PSEUDONYM_BYTES]))
    }

    fn code(&self, text: &[u8]) -> [u8; 32] {
        let mut code = <Hmac<Sha256> as KeyInit>::new(&padded(&self.0).into());
        code.update(text);
        code.finalize().into_bytes().into()
    }
}

/// The key filled up with zeros to the block of SHA-256, as RFC 2104 does with short keys.
fn padded(key: &[u8; 32]) -> [u8; 64] {
    let mut block = [0; 64];
    block[..32].copy_from_slice(key);
    block
}

fn bytes(digits: &str) -> Option<[u8; 32]> {
    let pairs: Vec<u8> = digits.as_bytes().chunks(2).map_while(pair).collect();
    if digits.len() == 64 { pairs.try_into().ok() } else { None }
}

fn pair(pair: &[u8]) -> Option<u8> {
    pair.iter()
        .all(u8::is_ascii_hexdigit)
        .then(|| std::str::from_utf8(pair).ok())
        .flatten()
        .and_then(|t| u8::from_str_radix(t, 16).ok())
}

/// Whether a text has the form of a pseudonym.
pub fn is_pseudonym(text: &str) -> bool {
    text.strip_prefix(PREFIX).is_some_and(|rest| {
        rest.len() == 2 * PSEUDONYM_BYTES && rest.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'))
    })
}

/// How a registry names patients, with the key that it takes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Pseudonyms {
    /// Made with a key.
    Keyed(Key),
    /// Ids stay as they are.
    Plain,
}

impl Pseudonyms {
    /// What the manifest says of it.
    pub fn identity(&self) -> Identity {
        match self {
            Self::Keyed(key) => Identity::Keyed { key_fingerprint: key.fingerprint() },
            Self::Plain => Identity::Plain {},
        }
    }

    /// Holds a key against what the manifest says.
    ///
    /// # Errors
    /// When a key is missing, wrong, or not taken.
    pub fn of(identity: &Identity, key: Option<Key>) -> Result<Self, RegistryError> {
        match (identity, key) {
            (Identity::Plain {}, None) => Ok(Self::Plain),
            (Identity::Plain {}, Some(_)) => Err(RegistryError::KeyNotTaken),
            (Identity::Keyed { .. }, None) => Err(RegistryError::KeyNeeded),
            (Identity::Keyed { key_fingerprint }, Some(key)) => {
                if *key_fingerprint == key.fingerprint() {
                    Ok(Self::Keyed(key))
                } else {
                    Err(RegistryError::KeyWrong)
                }
            }
        }
    }

    /// The name of a patient in the registry.
    pub fn name(&self, patient: &str) -> String {
        match self {
            Self::Keyed(key) => key.pseudonym(patient),
            Self::Plain => patient.to_owned(),
        }
    }

    /// Renames the patients of a table. What is a pseudonym already, as in an export, stays as it is.
    pub(super) fn rename(&self, frame: &DataFrame) -> Result<DataFrame, RegistryError> {
        let Self::Keyed(key) = self else { return Ok(frame.clone()) };
        let names = frame.column("patient_id")?.as_materialized_series().str()?;
        let renamed: Vec<Option<String>> = names
            .iter()
            .map(|name| name.map(|name| if is_pseudonym(name) { name.to_owned() } else { key.pseudonym(name) }))
            .collect();
        let mut frame = frame.clone();
        frame.with_column(StringChunked::from_slice_options("patient_id".into(), &renamed).into_column())?;
        Ok(frame)
    }
}

/// A key beside the records would undo what it is for.
fn refuse_inside(key: &Path, registry: &Path) -> Result<(), RegistryError> {
    if full(key).starts_with(full(registry)) {
        return Err(RegistryError::KeyFile(
            key.to_owned(),
            "a key may not lie in the registry's own folder: who has the one would have the other. Mend: choose a file elsewhere, such as on a stick that is locked away.".to_owned(),
        ));
    }
    Ok(())
}

/// The full path of something that may not be there yet: of what is there, and the rest as written.
pub fn full(path: &Path) -> PathBuf {
    let absolute = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    for there in absolute.ancestors() {
        if let (Ok(resolved), Ok(rest)) = (there.canonicalize(), absolute.strip_prefix(there)) {
            return if rest.as_os_str().is_empty() { resolved } else { resolved.join(rest) };
        }
    }
    absolute
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4231, test case 4 (its key of 25 bytes doesn't fit), so: compared with the definition over SHA-256 itself.
    #[test]
    fn pseudonyms_are_hmac_sha_256() {
        use sha2::Digest;
        let key = Key::new([7; 32]);
        let (mut inner, mut outer) = (Sha256::new(), Sha256::new());
        let block = padded(&key.0);
        inner.update(block.map(|byte| byte ^ 0x36));
        inner.update(b"P1");
        outer.update(block.map(|byte| byte ^ 0x5c));
        outer.update(inner.finalize());
        assert_eq!(key.pseudonym("P1"), format!("px-{}", hexadecimal(&outer.finalize()[..16])));
        assert!(is_pseudonym(&key.pseudonym("P1")));
        assert!(!is_pseudonym("px-12"));
    }

    #[test]
    fn digits_are_read_whole_or_not_at_all() {
        assert_eq!(bytes(&"0f".repeat(32)), Some([15; 32]));
        assert_eq!(bytes(&"0f".repeat(31)), None);
        assert_eq!(bytes(&"+f".repeat(32)), None);
        assert_eq!(bytes(&"é".repeat(32)), None);
    }
}
