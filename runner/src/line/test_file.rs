//! The frozen test: one TOML file with everything the line reads, and a digest that shows whether it was touched.

use super::setup::Conditions;
use crate::console::exit::Failure;
use crate::inputs::plain_file::read_text;
use judge::gonogo::{Golden, LineTest};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::path::Path;

const HEAD: &str = "\
# A go/no-go test of a production line, frozen by `nightbench gonogo derive`. The line reads this file and nothing else, and
# refuses it when anything in it was changed: derive it again instead.
";
const DIGEST: &str = "digest = \"";

/// Facts of the sample that a page repeats.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SampleFacts {
    pub folder: String,
    /// Head over the folder's results: which results these were.
    pub head: String,
    pub sound_units: usize,
    pub faulty_units: usize,
    pub correlation: f64,
    pub mean: f64,
    pub sd: f64,
    /// Shares of all units at the guard band, with the 95 % interval of escapes.
    pub escapes: f64,
    pub escapes_low: f64,
    pub escapes_high: f64,
    pub to_corner_test: f64,
    pub overkill: f64,
    pub bad: f64,
}

/// The golden units.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GoldenFacts {
    /// Standard deviation of a prediction of a golden unit about its mean.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sd: Option<f64>,
    pub unit: Vec<Golden>,
}

/// The file's content.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TestFile {
    pub tool: String,
    pub title: String,
    pub simulated: bool,
    /// The plan that the sample was characterized by: devices, interface, training, model.
    pub plan: String,
    pub conditions: Conditions,
    pub sample: SampleFacts,
    pub golden: GoldenFacts,
    pub test: LineTest,
}

impl TestFile {
    /// The text of the file.
    ///
    /// # Errors
    /// A value that TOML cannot hold.
    pub fn to_text(&self) -> Result<String, Failure> {
        let body = toml::to_string(self)
            .map_err(|error| Failure::invalid(format!("the test cannot be written: {error}")))?;
        let digest = digest_of(HEAD, &body);
        Ok(format!("{HEAD}{DIGEST}{digest}\"\n{body}"))
    }

    /// Reads a file; with its digest.
    ///
    /// # Errors
    /// Exit 2: no such file, no test, or one that was changed after it was derived.
    pub fn read(path: &Path) -> Result<(TestFile, String), Failure> {
        let text = read_text(path, "a go/no-go test (TOML)")?;
        TestFile::from_text(&text, &path.display().to_string())
    }

    /// As [`TestFile::read`], from a text; `name` is the file's.
    ///
    /// # Errors
    /// As [`TestFile::read`].
    pub fn from_text(text: &str, name: &str) -> Result<(TestFile, String), Failure> {
        let start = if text.starts_with(DIGEST) {
            Some(0)
        } else {
            text.find(&format!("\n{DIGEST}")).map(|at| at + 1)
        };
        let line = start.and_then(|start| {
            let line = text[start..].lines().next()?;
            let digest = line.strip_prefix(DIGEST)?.strip_suffix('"')?;
            Some((start, digest, text.get(start + line.len() + 1..)?))
        });
        let Some((start, stated, body)) = line else {
            return Err(Failure::invalid(format!(
                "{name} is no go/no-go test: it has no digest; make one with `nightbench gonogo derive RUN_FOLDER`"
            )));
        };
        if digest_of(&text[..start], body) != stated {
            return Err(Failure::invalid(format!(
                "{name} was changed after it was derived: its digest does not fit. A line takes no test that somebody touched; \
                 derive it again with `nightbench gonogo derive RUN_FOLDER`"
            )));
        }
        let file = toml::from_str(text).map_err(|error| {
            Failure::invalid(format!("{name} is a test of another version of nightbench: {error}"))
        })?;
        Ok((file, stated.to_string()))
    }
}

/// Over everything but the digest's own line.
fn digest_of(head: &str, body: &str) -> String {
    crate::store::hex(&Sha256::new().chain_update(head.as_bytes()).chain_update(body.as_bytes()).finalize())
}
