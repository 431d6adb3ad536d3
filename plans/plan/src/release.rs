//! What a release asks for: `[release]`.

use super::section::Section;
use serde::Serialize;

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReleaseConfig {
    /// Units (chips without a process-corner label) that must be measured; `None`: the result relates to the
    /// items tested only and no tolerance limit is asked for.
    pub units: Option<u16>,
    /// Share of all units that must meet the limit.
    pub content: f64,
    /// Confidence of that statement.
    pub confidence: f64,
}

impl Default for ReleaseConfig {
    fn default() -> ReleaseConfig {
        ReleaseConfig { units: None, content: 0.95, confidence: 0.95 }
    }
}

impl ReleaseConfig {
    /// Reads `[release]`, or the defaults where it is absent.
    pub fn read(section: Option<Section<'_>>) -> ReleaseConfig {
        let mut release = ReleaseConfig::default();
        let Some(section) = section else { return release };
        release.units = section.whole("units", 2..=10_000, "units").map(|units| units as u16);
        if let Some(content) = section.number("content", 0.5..=0.99999, "") {
            release.content = content;
        }
        if let Some(confidence) = section.number("confidence", 0.5..=0.9999, "") {
            release.confidence = confidence;
        }
        section.finish();
        release
    }
}
