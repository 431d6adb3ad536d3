//! Files that a plan names: SPD images of modules, measured channels, a fitted model. Nothing is opened here: the caller
//! reads the files and hands their content over; a stored plan carries it in `[[file]]` tables of its own.

use super::section::{Mistakes, Placed, Section};
use crate::fitted_model::FittedModel;
use crate::spd::SpdImage;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fmt::Write;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// What a named file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FileKind {
    /// SPD image of a module (`spd`).
    Spd,
    /// Touchstone data of a channel (`touchstone`).
    Touchstone,
    /// A fitted model (`file` in `[model]`).
    Model,
}

/// A file that a plan names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamedFile {
    /// As written in the plan.
    pub name: String,
    pub kind: FileKind,
    /// Where in the plan.
    pub span: Range<usize>,
}

/// A run folder that a plan names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamedFolder {
    /// As written in the plan.
    pub name: String,
    /// The key that names it: `study` or `reference_earlier`.
    pub key: &'static str,
    /// Where in the plan.
    pub span: Range<usize>,
}

/// The run folders named by `study` in `[[uncertainty]]` and `reference_earlier` in `[order]`; none where the
/// text is not TOML.
pub fn named_folders(text: &str) -> Vec<NamedFolder> {
    let (document, errors) = DeTable::parse_recoverable(text);
    let mut folders = Vec::new();
    if !errors.is_empty() {
        return folders;
    }
    let mut add = |key: &'static str, value: Option<&Spanned<DeValue<'_>>>| {
        let Some(value) = value else { return };
        let one = std::slice::from_ref(value);
        let list: Vec<_> = match value.get_ref() {
            DeValue::Array(list) => list.iter().collect(),
            _ => one.iter().collect(),
        };
        for folder in list {
            let Some(name) = folder.get_ref().as_str() else { continue };
            folders.push(NamedFolder { name: name.to_string(), key, span: folder.span() });
        }
    };
    let root = document.get_ref();
    if let Some(DeValue::Array(list)) = root.get("uncertainty").map(Spanned::get_ref) {
        list.iter()
            .filter_map(|line| line.get_ref().as_table())
            .for_each(|line| add("study", line.get("study")));
    }
    if let Some(order) = root.get("order").and_then(|order| order.get_ref().as_table()) {
        add("reference_earlier", order.get("reference_earlier"));
    }
    folders
}

/// Content of the files a plan names, or why one could not be read.
#[derive(Debug, Clone, Default)]
pub struct Files {
    known: BTreeMap<String, Result<Content, String>>,
}

#[derive(Debug, Clone)]
struct Content {
    sha256: String,
    /// The bytes of an SPD image; a channel's data is known by its digest only.
    spd: Option<Vec<u8>>,
    /// The text of a fitted model.
    text: Option<String>,
}

/// The files named by the `spd` and `touchstone` keys of a plan's text, each once; none where the text is not
/// TOML.
pub fn named_files(text: &str) -> Vec<NamedFile> {
    let (document, errors) = DeTable::parse_recoverable(text);
    let mut files: Vec<NamedFile> = Vec::new();
    if !errors.is_empty() {
        return files;
    }
    let places = [("module", "spd", FileKind::Spd), ("channel", "touchstone", FileKind::Touchstone)];
    for (table, key, kind) in places {
        let Some(DeValue::Array(list)) = document.get_ref().get(table).map(|value| value.get_ref()) else {
            continue;
        };
        for element in list {
            if let DeValue::Table(entry) = element.get_ref()
                && let Some(value) = entry.get(key)
                && let Some(name) = value.get_ref().as_str()
                && !name.trim().is_empty()
                && !files.iter().any(|known| known.name == name && known.kind == kind)
            {
                files.push(NamedFile { name: name.to_string(), kind, span: value.span() });
            }
        }
    }
    let model = document.get_ref().get("model").and_then(|model| model.get_ref().as_table());
    if let Some(value) = model.and_then(|model| model.get("file"))
        && let Some(name) = value.get_ref().as_str()
        && !name.trim().is_empty()
    {
        files.push(NamedFile { name: name.to_string(), kind: FileKind::Model, span: value.span() });
    }
    files
}

/// Digest of a file's bytes, as plans and stores print it.
pub fn digest(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

impl Files {
    /// Takes the bytes of a file that was read.
    pub fn insert(&mut self, file: &NamedFile, bytes: &[u8]) {
        let spd = (file.kind == FileKind::Spd).then(|| bytes.to_vec());
        let model = file.kind == FileKind::Model;
        let text = model.then(|| String::from_utf8_lossy(bytes).into_owned());
        self.known.insert(file.name.clone(), Ok(Content { sha256: digest(bytes), spd, text }));
    }

    /// Remembers why a file could not be read; it becomes a mistake of the plan at the key that names it.
    pub fn insert_fault(&mut self, file: &NamedFile, words: String) {
        self.known.insert(file.name.clone(), Err(words));
    }

    /// A plan's text with the content of these files added as `[[file]]` tables, so that it can be read again
    /// without them. Files that the text holds already are left out.
    pub fn add_to(&self, text: &str) -> String {
        let within = Files::within(text);
        let mut out = text.to_string();
        let mut first = true;
        for (name, content) in &self.known {
            let Ok(content) = content else { continue };
            if within.known.contains_key(name) {
                continue;
            }
            if first {
                out.push_str("\n# The files named above, as they were read for this run.\n");
                first = false;
            }
            let name = toml::Value::String(name.clone());
            // Writing to a string cannot fail.
            let _ = write!(out, "[[file]]\nname = {name}\nsha256 = \"{}\"\n", content.sha256);
            if let Some(bytes) = &content.spd {
                let _ = writeln!(out, "spd_hex = \"{}\"", hex(bytes));
            }
            if let Some(text) = &content.text {
                let _ = writeln!(out, "text = {}", toml::Value::String(text.clone()));
            }
        }
        out
    }

    fn within(text: &str) -> Files {
        let mistakes = Mistakes::default();
        let (document, _) = DeTable::parse_recoverable(text);
        let plan = Section::new(super::section::PLAN, document.get_ref(), 0..0, &mistakes);
        read_files(plan.tables("file"), &Files::default())
    }

    /// The SPD image in a file.
    ///
    /// # Errors
    /// Why it could not be read, naming the byte.
    pub fn spd(&self, name: &str) -> Result<SpdImage, String> {
        let content = self.content(name)?;
        let bytes = content.spd.as_ref().ok_or_else(|| not_read(name))?;
        SpdImage::read(bytes).map_err(|error| format!("{name}: {error}"))
    }

    /// The fitted model in a file.
    ///
    /// # Errors
    /// Why it could not be read.
    pub fn model(&self, name: &str) -> Result<FittedModel, String> {
        let content = self.content(name)?;
        FittedModel::read(name, content.text.as_ref().ok_or_else(|| not_read(name))?)
    }

    /// The digest of a file's bytes.
    ///
    /// # Errors
    /// Why it could not be read.
    pub fn sha256(&self, name: &str) -> Result<String, String> {
        self.content(name).map(|content| content.sha256.clone())
    }

    fn content(&self, name: &str) -> Result<&Content, String> {
        match self.known.get(name) {
            Some(Ok(content)) => Ok(content),
            Some(Err(words)) => Err(words.clone()),
            None => Err(not_read(name)),
        }
    }
}

fn not_read(name: &str) -> String {
    format!("the content of `{name}` is not at hand")
}

/// Reads `[[file]]` tables and adds what the caller read; where both hold a file they must agree.
pub(super) fn read_files(sections: Vec<Section<'_>>, given: &Files) -> Files {
    let mut files = given.clone();
    for section in sections {
        let name = section.required_text("name", "the file's name as the plan writes it");
        let sha256 = section.required_text("sha256", "digest of the file's bytes");
        let bytes = section.text("spd_hex").and_then(|text| from_hex(&section, &text));
        let text = section.any_text("text");
        section.finish();
        let (Some(name), Some(sha256)) = (name, sha256) else { continue };
        let held = bytes.as_deref().or(text.as_ref().map(|text| text.as_bytes()));
        if let Some(held) = held
            && digest(held) != sha256.value
        {
            section.mistake(
                "sha256",
                format!("{} holds bytes of the digest {}", section.title, digest(held)),
                "restore the table as the run wrote it, or remove it to read the file again",
            );
        }
        let own = Content { sha256: sha256.value, spd: bytes, text };
        match files.known.get(&name.value) {
            Some(Ok(read)) if read.sha256 != own.sha256 => section.mistake(
                "sha256",
                format!("`{}` has changed: its digest is {} now", name.value, read.sha256),
                "restore the file, or remove the [[file]] table to take the new content",
            ),
            Some(Ok(_)) => {}
            _ => {
                files.known.insert(name.value, Ok(own));
            }
        }
    }
    files
}

fn from_hex(section: &Section<'_>, text: &Placed<String>) -> Option<Vec<u8>> {
    let digits = text.value.as_bytes();
    let bytes: Option<Vec<u8>> = digits
        .chunks(2)
        .map(|pair| {
            let word = std::str::from_utf8(pair).ok().filter(|word| word.len() == 2)?;
            u8::from_str_radix(word, 16).ok()
        })
        .collect();
    if bytes.is_none() {
        section.mistakes().add(
            text.span.clone(),
            format!("`spd_hex` in {} is not an even number of hexadecimal digits", section.title),
            Some("restore the table as the run wrote it, or remove it to read the file again".into()),
        );
    }
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    fn named(name: &str, kind: FileKind) -> NamedFile {
        NamedFile { name: name.into(), kind, span: 0..0 }
    }

    #[test]
    fn named_files_are_listed_once_and_carried_along() {
        let text =
            "[[module]]\nspd = \"a.bin\"\n[[module]]\nspd = \"a.bin\"\n[[channel]]\ntouchstone = \"c.s2p\"\n";
        let list = named_files(text);
        let words: Vec<_> = list.iter().map(|file| (file.name.as_str(), file.kind)).collect();
        assert_eq!(words, [("a.bin", FileKind::Spd), ("c.s2p", FileKind::Touchstone)]);
        assert_eq!(&text[list[0].span.clone()], "\"a.bin\"");
        assert!(named_files("[[module]\nspd = ").is_empty());
        let mut files = Files::default();
        files.insert(&named("a.bin", FileKind::Spd), &[1, 2, 255]);
        files.insert(&named("c.s2p", FileKind::Touchstone), b"data");
        let stored = files.add_to(text);
        assert_eq!(stored.matches("[[file]]").count(), 2, "{stored}");
        assert!(stored.contains("spd_hex = \"0102ff\""));
        assert_eq!(files.add_to(&stored), stored, "nothing is added twice");
        let again = Files::within(&stored);
        assert_eq!(again.sha256("c.s2p"), Ok(digest(b"data")));
        assert!(again.spd("a.bin").unwrap_err().contains("a.bin: byte"), "three bytes are no image");
        assert!(Files::default().spd("a.bin").unwrap_err().contains("not at hand"));
    }

    #[test]
    fn named_run_folders_are_listed_with_their_places() {
        let text = "[[uncertainty]]\nstudy = \"runs/a\"\n[[uncertainty]]\nname = \"x\"\n[order]\nreference_earlier = [\"b\", \"c\"]\n";
        let words: Vec<_> = named_folders(text)
            .into_iter()
            .map(|folder| {
                assert_eq!(text[folder.span.clone()], format!("\"{}\"", folder.name));
                (folder.key, folder.name)
            })
            .collect();
        let expected = [("study", "runs/a"), ("reference_earlier", "b"), ("reference_earlier", "c")];
        assert_eq!(words, expected.map(|(key, name)| (key, name.to_string())));
        assert!(named_folders("[order\n").is_empty());
    }

    #[test]
    fn a_changed_or_damaged_stored_file_is_a_mistake() {
        let mistakes = |text: &str, files: &Files| {
            let mistakes = Mistakes::default();
            let (document, _) = DeTable::parse_recoverable(text);
            let plan = Section::new(super::super::section::PLAN, document.get_ref(), 0..0, &mistakes);
            read_files(plan.tables("file"), files);
            mistakes.into_sorted().into_iter().map(|mistake| mistake.message).collect::<Vec<_>>().join("\n")
        };
        let mut files = Files::default();
        files.insert(&named("a.bin", FileKind::Spd), &[1, 2]);
        let stored = files.add_to("");
        assert_eq!(mistakes(&stored, &files), "");
        let mut changed = Files::default();
        changed.insert(&named("a.bin", FileKind::Spd), &[1, 3]);
        assert!(mistakes(&stored, &changed).contains("`a.bin` has changed"));
        let damaged = stored.replace("0102", "0103");
        assert!(mistakes(&damaged, &Files::default()).contains("holds bytes of the digest"));
        assert!(mistakes(&stored.replace("0102", "01x2"), &files).contains("not an even number"));
    }
}
