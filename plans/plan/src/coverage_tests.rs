//! Chosen conditions against skips, fits and the independent verifier.

use super::*;
use crate::expand::expand;
use crate::selection::Selection;

const PLAN: &str = include_str!("../../library/qualification.toml");

fn plan(coverage: &str) -> Result<Plan, Vec<String>> {
    Plan::read(&format!("{PLAN}\n[coverage]\n{coverage}\n"))
        .map_err(|mistakes| mistakes.into_iter().map(|mistake| mistake.message).collect())
}

#[test]
fn t_wise_plans_cover_every_pair_that_skips_and_fits_allow() {
    let full = plan("kind = \"full\"").unwrap();
    let all = expand(&full, &Selection::default());
    let plan = plan("kind = \"t-wise\"\nstrength = 2").unwrap();
    let some = expand(&plan, &Selection::default());
    assert!(
        some.conditions.len() * 5 < all.conditions.len(),
        "{} of {}",
        some.conditions.len(),
        all.conditions.len()
    );
    assert!(some.conditions.iter().all(|condition| all.conditions.contains(condition)));
    assert_eq!(some.conditions.len() + some.skipped.len(), plan.matrix.combinations() as usize);
    // The independent verifier: every pair that a condition of the full matrix holds, held by a chosen one.
    let counts = plan.matrix.level_counts();
    let pairs = |conditions: &[Condition]| {
        let mut held = std::collections::BTreeSet::new();
        for condition in conditions {
            for a in 0..FACTORS {
                for b in a + 1..FACTORS {
                    if counts[a] > 1 && counts[b] > 1 {
                        held.insert((a, condition.levels[a], b, condition.levels[b]));
                    }
                }
            }
        }
        held
    };
    let (wanted, held) = (pairs(&all.conditions), pairs(&some.conditions));
    assert_eq!(wanted, held);
    // Every pair that is absent is listed as missing.
    let mut possible = 0;
    for a in 0..FACTORS {
        for b in a + 1..FACTORS {
            possible += if counts[a] > 1 && counts[b] > 1 { counts[a] * counts[b] } else { 0 };
        }
    }
    assert_eq!(possible - wanted.len(), plan.coverage.missing.len());
    let words: Vec<String> = plan.coverage.missing.iter().map(|one| plan.combination_words(one)).collect();
    assert!(words.iter().any(|word| word == "module Cedar stacked 2133, rate 3200"), "{words:?}");
    assert!(words.iter().any(|word| word == "module Oak 2Rx4 2933, channel adapter"), "{words:?}");
}

#[test]
fn one_factor_at_a_time_differs_in_one() {
    let plan = plan(
        "kind = \"one factor at a time\"\nbaseline = { module = \"Oak 2Rx4 2933\", channel = \"one riser\", \
         rate = 2400, temperature_degc = 25, supply = \"nominal\" }",
    )
    .unwrap();
    let some = expand(&plan, &Selection::default());
    let base = some
        .conditions
        .iter()
        .find(|condition| condition.describe(&plan) == "Oak 2Rx4 2933, one riser, 2400 MT/s, 25 °C, nominal")
        .expect("the baseline itself");
    for condition in &some.conditions {
        let differs = condition.levels.iter().zip(base.levels).filter(|(a, b)| **a != *b).count();
        assert!(differs <= 1, "{}", condition.describe(&plan));
    }
    // 1 + 5 other modules (two need an adapter) + 4 channels (three take SODIMMs only) + 5 rates + 4
    // temperatures + 2 supplies.
    assert_eq!(some.conditions.len(), 1 + 5 + 4 + 5 + 4 + 2);
    assert_eq!(plan.coverage.missing.len(), 2 + 3);
}

#[test]
fn requests_that_make_no_sense_are_mistakes() {
    for (text, words) in [
        ("kind = \"t-wise\"", "how many factors"),
        ("kind = \"t-wise\"\nstrength = 9", "`strength` in [coverage] is 9 factors"),
        ("kind = \"full\"\nstrength = 2", "belongs to"),
        ("kind = \"pairs\"", "`kind` in [coverage] is `pairs`"),
        ("strength = 2", "has no `kind`"),
        ("kind = \"one factor at a time\"\nbaseline = { rate = 9999 }", "`9999` is not a level"),
        (
            "kind = \"one factor at a time\"\nbaseline = { module = \"Cedar stacked 2133\", rate = 3200 }",
            "is itself left out",
        ),
        ("kind = \"full\"\nbaseline = { rate = 2400 }", "belongs to kind"),
    ] {
        let mistakes = plan(text).unwrap_err();
        assert!(mistakes.iter().any(|mistake| mistake.contains(words)), "{text}: {mistakes:?}");
    }
}
