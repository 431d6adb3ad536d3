//! A narrowed selection of conditions: `--only factor=level,...`.

use crate::condition::Condition;
use crate::matrix::{FACTORS, Factor};
use crate::plan::{Plan, temperature_name};
use nightbench_core::rates::DataRate;
use nightbench_core::text::nearest;
use nightbench_core::units::Celsius;

/// Levels of different factors must all hold.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Selection {
    allowed: [Option<Vec<bool>>; FACTORS],
}

impl Selection {
    /// Reads selections such as `rate=2400,2666`; several narrow together.
    ///
    /// # Errors
    /// Names an unknown factor or level, with the known ones.
    pub fn read(plan: &Plan, texts: &[String]) -> Result<Selection, String> {
        let mut selection = Selection::default();
        let names = plan.level_names();
        for (factor_word, levels) in factors_of(texts)? {
            let Some((_, factor)) = Factor::ALL.iter().find(|(name, _)| *name == factor_word) else {
                let known: Vec<&str> = Factor::ALL.iter().map(|(name, _)| *name).collect();
                let hint = nearest(factor_word, known.iter().copied()).map_or_else(
                    || format!("factors: {}", known.join(", ")),
                    |near| format!("did you mean `{near}`?"),
                );
                return Err(format!("`{factor_word}` is not a factor; {hint}"));
            };
            let names = &names[*factor as usize];
            let mut chosen = vec![false; names.len()];
            for word in levels {
                let word = match factor {
                    Factor::Rate => DataRate::parse(plan.interface.generation, word)
                        .map_or_else(|| word.to_string(), |rate| rate.to_string()),
                    // 25.0 is the level that prints as 25.
                    Factor::Temperature => word
                        .parse()
                        .map_or_else(|_| word.to_string(), |degrees| temperature_name(Celsius(degrees))),
                    _ => word.to_string(),
                };
                match names.iter().position(|name| *name == word) {
                    Some(level) => chosen[level] = true,
                    None => {
                        return Err(format!(
                            "`{word}` is not a level of {factor_word}; levels: {}",
                            names.join(", ")
                        ));
                    }
                }
            }
            let slot = &mut selection.allowed[*factor as usize];
            match slot {
                Some(earlier) => earlier.iter_mut().zip(&chosen).for_each(|(a, b)| *a &= *b),
                None => *slot = Some(chosen),
            }
        }
        Ok(selection)
    }

    /// Does the condition belong to the selection?
    pub fn contains(&self, condition: &Condition) -> bool {
        self.allowed
            .iter()
            .zip(condition.levels)
            .all(|(allowed, level)| allowed.as_ref().is_none_or(|set| set[usize::from(level)]))
    }

    pub fn is_everything(&self) -> bool {
        self.allowed.iter().all(Option::is_none)
    }
}

/// The same selection with one text for each factor named: `rate=2400,2666` and `temperature=85`.
///
/// # Errors
/// A text that is no selection.
pub fn one_factor_a_text(texts: &[String]) -> Result<Vec<String>, String> {
    let factors = factors_of(texts)?;
    Ok(factors.into_iter().map(|(word, levels)| format!("{word}={}", levels.join(","))).collect())
}

/// Each factor of the texts with its levels. One text may name several: `rate=2400,2666,temperature=85`.
fn factors_of(texts: &[String]) -> Result<Vec<(&str, Vec<&str>)>, String> {
    let mut factors: Vec<(&str, Vec<&str>)> = Vec::new();
    for text in texts {
        let first = factors.len();
        for piece in text.split(',') {
            match piece.split_once('=') {
                // A level's name may have the sign in it.
                Some((word, level))
                    if factors.len() == first || Factor::ALL.iter().any(|(name, _)| *name == word.trim()) =>
                {
                    factors.push((word.trim(), vec![level.trim()]));
                }
                _ => match factors.get_mut(first..).and_then(<[_]>::last_mut) {
                    Some((_, levels)) => levels.push(piece.trim()),
                    None => {
                        return Err(format!(
                            "`{text}` is not a selection; write factor=level,... such as rate=2400,2666"
                        ));
                    }
                },
            }
        }
    }
    Ok(factors)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::expand::expand;

    const PLAN: &str = include_str!("../../library/quick-look.toml");

    #[test]
    fn a_selection_narrows_and_names_what_it_does_not_know() {
        let plan = Plan::read(PLAN).expect("the library's plan is sound");
        let all = expand(&plan, &Selection::default()).conditions.len();
        let rate = plan.level_name(Factor::Rate, 0);
        let some = Selection::read(&plan, &[format!("rate={rate}")]).unwrap();
        let narrowed = expand(&plan, &some).conditions;
        assert!(!narrowed.is_empty() && narrowed.len() < all);
        assert!(Selection::read(&plan, &["rat=2400".into()]).unwrap_err().contains("did you mean `rate`"));
        assert!(Selection::read(&plan, &["rate=99".into()]).unwrap_err().contains("levels:"));
        let read = |text: &str| Selection::read(&plan, &[text.to_string()]).unwrap();
        assert_eq!(read("temperature=25.0"), read("temperature=25"));
        // Several factors in one text narrow together, as in several texts.
        let both = [format!("rate={rate}"), "temperature=25".to_string()];
        assert_eq!(read(&both.join(",")), Selection::read(&plan, &both).unwrap());
        assert!(Selection::read(&plan, &["2400".into()]).unwrap_err().contains("is not a selection"));
        let apart = one_factor_a_text(&["rate = 2400,2666, temperature=85".into()]).unwrap();
        assert_eq!(apart, ["rate=2400,2666", "temperature=85"]);
    }
}
