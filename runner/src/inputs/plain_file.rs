//! Files that people write, read as text: plain files of bounded size only, since a device or a pipe has no end.

use crate::console::exit::Failure;
use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::Path;

/// Largest plan, bench file, file of limits or of notes, bytes: they are written by hand.
pub const LARGEST: u64 = 4 << 20;

/// The bytes of a plain file of at most `most` bytes.
///
/// # Errors
/// Exit 2: it cannot be read, is no plain file, or is larger. `what` says what it should be.
pub fn read_bytes(path: &Path, most: u64, what: &str) -> Result<Vec<u8>, Failure> {
    let name = path.display();
    let unread = |error: std::io::Error| Failure::invalid(format!("{name}: {error}; name {what}"));
    if !std::fs::metadata(path).map_err(unread)?.is_file() {
        return Err(Failure::invalid(format!("{name} is no plain file; name {what}")));
    }
    let mut bytes = Vec::new();
    File::open(path).and_then(|file| file.take(most + 1).read_to_end(&mut bytes)).map_err(unread)?;
    if bytes.len() as u64 > most {
        return Err(Failure::invalid(format!("{name} has more than {most} bytes; name {what}")));
    }
    Ok(bytes)
}

/// The text of a plain file of at most [`LARGEST`] bytes.
///
/// # Errors
/// As [`read_bytes`], or it is not UTF-8.
pub fn read_text(path: &Path, what: &str) -> Result<String, Failure> {
    String::from_utf8(read_bytes(path, LARGEST, what)?).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        Failure::invalid(format!("{} is not UTF-8 text (byte {at}); save it as UTF-8", path.display()))
    })
}

/// As [`read_text`]; `None` where there is no such file.
///
/// # Errors
/// As [`read_text`].
pub fn read_if_there(path: &Path, what: &str) -> Result<Option<String>, Failure> {
    match std::fs::metadata(path) {
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(None),
        _ => read_text(path, what).map(Some),
    }
}
