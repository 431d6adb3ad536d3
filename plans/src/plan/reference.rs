//! The reference condition that is measured again and again to show drift: `[reference]`.

use super::matrix::{FACTORS, Factor};
use super::section::Section;
use crate::rates::{DataRate, Generation};

/// `[reference]`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReferenceWishes {
    /// Level of each factor.
    pub levels: [u16; FACTORS],
    /// Most jobs between two of its measurements.
    pub every_jobs: u32,
    /// Earlier run folders whose reference jobs begin the control chart.
    pub earlier: Vec<String>,
}

impl ReferenceWishes {
    /// Reads `[reference]`; a factor that is left out takes its first level.
    pub fn read(
        section: Option<Section<'_>>,
        generation: Generation,
        level_names: &[Vec<String>; FACTORS],
    ) -> Option<ReferenceWishes> {
        let section = section?;
        let mut levels = [0; FACTORS];
        for (name, factor) in &Factor::ALL {
            let key = match factor {
                Factor::Temperature => "temperature_degc",
                _ => name,
            };
            let Some(item) = section.items(key).and_then(|items| items.into_iter().next()) else { continue };
            let mut words = item.value.words();
            if *factor == Factor::Rate
                && let Some(rate) = DataRate::parse(generation, &words)
            {
                words = rate.to_string();
            }
            let names = &level_names[*factor as usize];
            match names.iter().position(|known| *known == words) {
                Some(level) => levels[*factor as usize] = level as u16,
                None => section.problems().add(
                    item.span,
                    format!("[reference] names `{words}`, which is no level of {name}"),
                    Some(format!("levels: {}", names.join(", "))),
                ),
            }
        }
        let every = section.whole("every_jobs", 1..=1_000_000, "jobs");
        if every.is_none() && !section.has("every_jobs") {
            section.mistake("every_jobs", "[reference] has no `every_jobs`", "add `every_jobs = 50`");
        }
        let earlier = section.texts("earlier").unwrap_or_default();
        section.finish();
        Some(ReferenceWishes {
            levels,
            every_jobs: every? as u32,
            earlier: earlier.into_iter().map(|folder| folder.value).collect(),
        })
    }
}
