//! What a plan declares and no condition needs: levels, channels, skips.

use crate::expand::Expansion;
use crate::matrix::Factor;
use crate::plan::Plan;
use nightbench_core::text::counted;

/// A sentence for every level of the matrix without a condition and every skip that leaves out nothing, each with its
/// remedy. `expansion`: the whole plan's. A night without hands leaves other setups out by intention: their levels are not named.
pub fn unused(plan: &Plan, expansion: &Expansion) -> Vec<String> {
    let mut sentences = Vec::new();
    if !plan.order.night_only {
        sentences.extend(unused_levels(plan, expansion));
    }
    let mut works = vec![false; plan.skips.len()];
    for skipped in &expansion.skipped {
        if let Some(one) = works.get_mut(skipped.reason as usize) {
            *one = true;
        }
    }
    for (number, (skip, _)) in plan.skips.iter().zip(works).enumerate().filter(|(_, (_, works))| !works) {
        sentences.push(format!(
            "[[skip]] {} (\"{}\") leaves out nothing that is not left out without it; correct its levels, or remove it",
            number + 1,
            skip.reason
        ));
    }
    sentences
}

fn unused_levels(plan: &Plan, expansion: &Expansion) -> Vec<String> {
    let names = plan.level_names();
    let mut used = names.each_ref().map(|levels| vec![false; levels.len()]);
    for condition in &expansion.conditions {
        for (set, level) in used.iter_mut().zip(condition.levels) {
            if let Some(one) = set.get_mut(usize::from(level)) {
                *one = true;
            }
        }
    }
    let mut sentences = Vec::new();
    for ((word, factor), (levels, used)) in Factor::ALL.iter().zip(names.iter().zip(used)) {
        let left: Vec<&str> =
            levels.iter().zip(used).filter(|(_, used)| !used).map(|(name, _)| name.as_str()).collect();
        if left.is_empty() {
            continue;
        }
        let remedy = match factor {
            Factor::Module => "see which channels' `fits` name its kind, and [[skip]]",
            Factor::Channel => "see its `fits` (module kinds), and [[skip]]",
            _ => "see [[skip]] and [coverage], or remove it",
        };
        sentences.push(format!(
            "no condition has {} of the factor {word}: {}; {remedy}",
            counted(left.len(), "level"),
            left.join(", ")
        ));
    }
    sentences
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::expand::expand;
    use crate::selection::Selection;

    const PLAN: &str = include_str!("../../library/quick-look.toml");

    fn said(replace: &[(&str, &str)]) -> Vec<String> {
        let text = replace.iter().fold(PLAN.to_string(), |text, (from, to)| {
            assert!(text.contains(from), "{from}");
            text.replacen(from, to, 1)
        });
        let plan = Plan::read(&text).expect("sound");
        unused(&plan, &expand(&plan, &Selection::default()))
    }

    #[test]
    fn a_plan_that_needs_all_it_declares_gets_no_word() {
        assert!(said(&[]).is_empty(), "{:?}", said(&[]));
    }

    #[test]
    fn levels_channels_and_skips_without_effect_are_named() {
        let words = said(&[("adapter = true\nfits = [\"SODIMM\"]", "fits = [\"LRDIMM\"]")]);
        assert_eq!(words.len(), 2, "{words:?}");
        assert!(
            words[0].contains("factor module: Birch 1Rx8 2400 small; see which channels' `fits`"),
            "{words:?}"
        );
        assert!(words[1].contains("factor channel: adapter and three risers; see its `fits`"), "{words:?}");
        let words =
            said(&[("kind = \"3DS\"\nrate = [2667, 3200]", "kind = \"LRDIMM\"\nrate = [2667, 3200]")]);
        assert_eq!(words.len(), 1, "{words:?}");
        assert!(words[0].starts_with("[[skip]] 1 (\"3DS parts are rated 2133"), "{words:?}");
        let skip = "[[skip]]\nreason = \"too fast\"\nrate = 3200\n\n[capture]";
        let words = said(&[("[capture]", skip)]);
        assert!(words[0].contains("factor rate: 3200"), "{words:?}");
    }
}
