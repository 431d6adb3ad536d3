//! Rows on the forecast of bench hours: captures of many kinds on the bench's clock, against what was forecast before.

use crate::cases::{bad_joint, limits};
use crate::rows::{Claim, Row, uniform};
use crate::truth::options;
use contract::CancelToken;
use nightbench_core::results::CaptureMode;
use plan::Plan;
use plan::expand::{expand, jobs};
use plan::keys::JobKeys;
use plan::selection::Selection;
use runner::forecast::{Expected, PRIOR_SD};
use runner::run::execute::Executor;
use schedule::{Learned, Work};
use simulator::target::{MODEL_VERSION, SimulatedTarget};
use statistics::special::normal_upper_quantile;

/// Lanes of an interface, with its generation.
const LANES: [(&str, u16); 7] =
    [("DDR4", 4), ("DDR4", 8), ("DDR4", 16), ("DDR4", 36), ("DDR4", 72), ("DDR5", 40), ("DDR5", 80)];

/// A plan's capturing: seconds forecast, and seconds taken.
pub struct Took {
    pub name: String,
    pub forecast_s: f64,
    pub taken_s: f64,
}

fn pick<'a, T>(of: &'a [T], list: &[u64]) -> &'a T {
    &of[((uniform(list) * of.len() as f64) as usize).min(of.len() - 1)]
}

/// One plan of every width; rate, direction, limit and mode are drawn.
pub fn took(number: u64, mode: CaptureMode, bad: bool) -> Vec<Took> {
    LANES
        .iter()
        .enumerate()
        .map(|(place, (generation, lanes))| {
            let draw = |what: u64| [number, place as u64, what];
            let direction = *pick(&["read", "write"], &draw(1));
            let rate = match *generation {
                "DDR5" => *pick(&[4000, 4800, 5600], &draw(2)),
                _ => *pick(&[2133, 2400, 2666, 2933], &draw(2)),
            };
            let ber = *pick(&["1e-6", "1e-7", "1e-8"], &draw(3));
            let rated = if *generation == "DDR5" { 5600 } else { 3200 };
            let mode_word = if mode == CaptureMode::Fast { "fast" } else { "exact" };
            let text = format!(
                "title = \"Audit\"\n[interface]\ngeneration = \"{generation}\"\nlanes = {lanes}\n[[chip]]\nname = \"hours {number}\"\n\
                 [[module]]\nname = \"hours {number}\"\nkind = \"UDIMM\"\nrated = {rated}\n[[channel]]\nname = \"risers\"\nrisers = 2\n\
                 fits = [\"UDIMM\"]\n[matrix]\nrate = [{rate}]\n[capture]\ndirections = [\"{direction}\"]\nber_limit = {ber}\n\
                 mode = \"{mode_word}\"\n{}",
                limits(&[direction])
            );
            let text = if bad { bad_joint(&text) } else { text };
            let plan = Plan::read(&text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"));
            let expansion = expand(&plan, &Selection::default());
            let keys = JobKeys::new(&plan, MODEL_VERSION).expect("finite numbers");
            let job = jobs(&plan, &expansion)[0];
            let executor = Executor::new(&plan, &expansion, &keys);
            let mut target = SimulatedTarget::new(options(&plan, number + 1));
            let result = executor.run(&mut target, &job, &CancelToken::new()).expect("no stop");
            let condition = &expansion.conditions[job.condition as usize];
            Took {
                name: format!("{generation}, {lanes} lanes"),
                forecast_s: Expected::new(&plan).of(condition).measuring_s,
                taken_s: if result.captures.is_empty() { f64::NAN } else { result.times.measuring_s },
            }
        })
        .collect()
}

/// Captures that a run has behind it where its range comes from them.
const BEHIND: usize = 12;

/// The rows of some plans, and the median of what they took over what was forecast, by width. Before anything was observed the
/// range is that of any bench, which this one need not fill; behind a dozen captures it is the run's own.
pub fn rows(took: &[Took], words: &str) -> Vec<Row> {
    let reach = (PRIOR_SD * normal_upper_quantile(0.1).expect("a quantile")).exp();
    let mut all = Row::new(
        format!("hours of capturing: P10 to P90 on a bench nobody has seen{words}"),
        Claim::AtLeast(0.8),
    );
    let mut by_name: Vec<(&str, Vec<f64>)> = Vec::new();
    // A lane set that did not train captured nothing.
    for one in took.iter().filter(|one| one.taken_s.is_finite()) {
        let ratio = one.taken_s / one.forecast_s;
        all.count((1.0 / reach..=reach).contains(&ratio));
        match by_name.iter_mut().find(|(name, _)| *name == one.name) {
            Some((_, ratios)) => ratios.push(ratio),
            None => by_name.push((&one.name, vec![ratio])),
        }
    }
    for (name, ratios) in &mut by_name {
        ratios.sort_by(f64::total_cmp);
        let at = |share: f64| ratios[((ratios.len() - 1) as f64 * share).round() as usize];
        eprintln!(
            "  {name}: taken / forecast {:.2} ({:.2} to {:.2}), n = {}",
            at(0.5),
            at(0.1),
            at(0.9),
            ratios.len()
        );
    }
    vec![all, after_some(took, words)]
}

/// The range behind other captures of the same bench, as a run's remaining hours have it.
fn after_some(took: &[Took], words: &str) -> Row {
    let mut row = Row::new(
        format!("hours of capturing: P10 to P90 behind {BEHIND} captures{words}"),
        Claim::Share(0.8, 0.85),
    );
    let known: Vec<&Took> = took.iter().filter(|one| one.taken_s.is_finite()).collect();
    let z = normal_upper_quantile(0.1).expect("a quantile");
    for (at, one) in known.iter().enumerate() {
        // A fixed draw without this one.
        let mut others: Vec<usize> = (0..known.len()).filter(|other| *other != at).collect();
        others.sort_by(|a, b| uniform(&[at as u64, *a as u64]).total_cmp(&uniform(&[at as u64, *b as u64])));
        let mut learned = Learned::new(PRIOR_SD);
        for other in others.iter().take(BEHIND) {
            learned.observe(Work::Measure, known[*other].forecast_s, known[*other].taken_s);
        }
        let (mean, sd) = learned.posterior(Work::Measure);
        let off = (one.taken_s / one.forecast_s).ln() - mean;
        row.count(off.abs() <= z * sd.hypot(learned.noise(Work::Measure)));
    }
    row
}
