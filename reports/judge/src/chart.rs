//! Reference jobs: the control chart of the reference condition, and which jobs are suspect because of it.

use super::Judge;
use super::aggregate::{Part, lane_tallies};
use super::eye_summary::mask_of;
use crate::audit::ChartNote;
use nightbench_core::results::EyeName;
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::expand::Expansion;
use plan::limits::Metric;
use statistics::StatisticsError;
use statistics::control::{ControlLimits, ControlRule, Signal, robust_control_limits, signals};
use statistics::special::t_quantile;
use statistics::summary::{mean, median, standard_deviation};

/// Earlier values from which on they alone give the limits: then a run that is off as a whole is seen.
const ENOUGH_EARLIER: usize = 8;

/// Fewest values a chart's limits are drawn from.
const FEWEST: usize = 4;

/// Risk that an undisturbed run has a false alarm in any of its charts.
const FALSE_ALARM: f64 = 0.05;

/// Reach of the limits of `charts` charts of `values` values each, in estimated standard deviations: normal values
/// leave any of them with probability [`FALSE_ALARM`] at most. The deviation comes from the median moving range of
/// the same values; 0.45 (n - 1) + 1 degrees of freedom reproduce its scatter (computed for this file by simulation of
/// 20,000 runs of 4 to 100 values: the risk came out between 0.6 and 1.05 times the wanted one). Never below 3.
fn reach(values: usize, charts: usize) -> f64 {
    let n = values.max(2) as f64;
    let p = FALSE_ALARM / (n * charts.max(1) as f64) / 2.0;
    let freedom = (0.45 * (n - 1.0) + 1.0).max(3.0);
    t_quantile(1.0 - p, freedom).map_or(3.0, |t| t.max(3.0))
}

/// A metric of the reference condition in the order measured: the mean over lanes of each job.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Which eye.
    pub eye: EyeName,
    /// Which metric.
    pub metric: Metric,
    /// Place of each job in the order of its run, and its value, ps or mV.
    pub values: Vec<(u64, f64)>,
}

/// The reference condition of a plan (index into the expansion's conditions), where it has one.
pub fn reference_condition(plan: &Plan, expansion: &Expansion) -> Option<usize> {
    let reference = plan.order.reference.as_ref()?;
    expansion.conditions.iter().position(|condition| {
        let wanted = reference.levels.iter().zip(condition.levels);
        wanted.into_iter().all(|(wanted, level)| wanted.is_none_or(|wanted| wanted == level))
    })
}

/// Stretches of the run between a bad reference job and the good ones round it.
#[derive(Debug, Default)]
pub(super) struct Suspects {
    /// Last good place before (none: the run's beginning), first good place after.
    stretches: Vec<(Option<u64>, u64)>,
    words: String,
}

impl Suspects {
    /// Why a condition with these jobs may have no verdict.
    pub fn words(&self, parts: &[Part]) -> Option<&str> {
        let within = |position: u64| {
            self.stretches
                .iter()
                .any(|(after, before)| after.is_none_or(|after| position > after) && position < *before)
        };
        parts.iter().any(|part| within(part.position)).then_some(self.words.as_str())
    }

    fn jobs<'a>(&self, parts: impl Iterator<Item = &'a Part>) -> usize {
        parts.filter(|part| self.words(std::slice::from_ref(part)).is_some()).count()
    }
}

impl Judge<'_> {
    /// The reference condition's values, by the metrics that these limits judge there. `condition` is an index.
    pub fn series(&self, condition: u32, criteria: &AcceptanceCriteria) -> Vec<Series> {
        let Some(tally) = self.tallies.get(&condition) else { return Vec::new() };
        let Some(levels) = self.expansion.conditions.get(condition as usize) else { return Vec::new() };
        let mut parts: Vec<&Part> = tally.parts.iter().collect();
        parts.sort_by_key(|part| part.position);
        let rate = levels.rate(self.plan);
        let mut list: Vec<Series> = Vec::new();
        for eye in tally.eyes() {
            for limit in criteria.limits.iter().filter(|limit| limit.applies(eye.direction, rate)) {
                if list.iter().any(|known| known.eye == eye && known.metric == limit.metric) {
                    continue;
                }
                let mut values = Vec::new();
                for part in &parts {
                    for capture in part.captures.iter().filter(|capture| capture.eye == eye) {
                        let mask = mask_of(limit, &capture.grid);
                        let (mut sum, mut count) = (0.0, 0u32);
                        for tally in lane_tallies(&[(0, capture)], limit.metric, mask.as_ref()) {
                            if let Some(value) = tally.value() {
                                sum += value;
                                count += 1;
                            }
                        }
                        if count > 0 {
                            values.push((part.position, sum / f64::from(count)));
                        }
                    }
                }
                list.push(Series { eye, metric: limit.metric, values });
            }
        }
        list
    }

    /// Charts of the reference condition, and what is suspect.
    pub(super) fn charts(&self, criteria: &AcceptanceCriteria) -> (Vec<ChartNote>, Suspects) {
        let mut suspects = Suspects::default();
        let Some(index) = reference_condition(self.plan, self.expansion) else {
            return (Vec::new(), suspects);
        };
        let mut charts = Vec::new();
        let all = self.series(index as u32, criteria);
        let number = all.len();
        for series in all {
            let earlier: Vec<f64> = self
                .earlier
                .iter()
                .filter(|known| known.eye == series.eye && known.metric == series.metric)
                .flat_map(|known| known.values.iter().map(|(_, value)| *value))
                .collect();
            let own: Vec<f64> = series.values.iter().map(|(_, value)| *value).collect();
            let mut chart = chart(&series, earlier, own, number);
            let bad = |place: usize| {
                chart.signals.iter().any(|(at, rule)| {
                    *at == chart.earlier + place && rule == ControlRule::BeyondLimit.words()
                })
            };
            let mut stretches = Vec::new();
            for (place, _) in series.values.iter().enumerate().filter(|(place, _)| bad(*place)) {
                let position = |place: usize| series.values.get(place).map(|(position, _)| *position);
                // From the run's beginning, or to its end, where no good reference stands.
                let after = (0..place).rev().find(|at| !bad(*at)).and_then(position);
                let before = (place + 1..series.values.len()).find(|at| !bad(*at)).and_then(position);
                stretches.push((after, before.unwrap_or(u64::MAX)));
            }
            let own = Suspects {
                words: format!(
                    "suspect: a reference job ({} of {}) lies outside its control limits; repeat the jobs since the \
                     last good one",
                    series.metric.name(),
                    series.eye
                ),
                stretches,
            };
            chart.suspect_jobs = own.jobs(self.tallies.values().flat_map(|tally| &tally.parts));
            if !own.stretches.is_empty() {
                if suspects.words.is_empty() {
                    suspects.words = own.words;
                }
                suspects.stretches.extend(own.stretches);
            }
            charts.push(chart);
        }
        (charts, suspects)
    }
}

fn chart(series: &Series, earlier: Vec<f64>, own: Vec<f64>, charts: usize) -> ChartNote {
    let mut note = ChartNote {
        of: format!("{} of {}, mean over lanes", series.metric.name(), series.eye),
        unit: series.metric.base_unit(),
        earlier: earlier.len(),
        values: earlier.into_iter().chain(own).collect(),
        limits: None,
        signals: Vec::new(),
        suspect_jobs: 0,
        words: String::new(),
    };
    if note.values.len() < FEWEST {
        note.words = format!(
            "reference values: {}; a chart needs {FEWEST}; measure the reference more often or name earlier folders",
            note.values.len()
        );
        return note;
    }
    if note.earlier >= ENOUGH_EARLIER {
        return from_earlier(note, series, charts);
    }
    match robust_control_limits(&note.values).and_then(|limits| Ok((limits, median(&note.values)?))) {
        Ok((limits, centre)) => {
            // About the median: one disturbed reference must not pull the good ones out of their limits.
            let factor = reach(note.values.len(), charts);
            let reach = factor * limits.sigma;
            let limits = ControlLimits { centre, lower: centre - reach, upper: centre + reach, ..limits };
            let found = signals(&note.values, &limits).unwrap_or_default();
            let rule = format!(
                "limits {factor:.1} standard deviations about the median: a false alarm in {:.0} % of undisturbed runs",
                100.0 * FALSE_ALARM
            );
            say(&mut note, series, limits, found, &rule);
        }
        Err(error) => note.words = format!("no limits: {error}"),
    }
    note
}

/// Limits from the earlier values alone: the prediction interval of a further normal value, mean +- t s sqrt(1 + 1/n) (GUM
/// G.3; e-Handbook 6.3.2 for the chart), at a risk shared by this run's values and charts.
fn from_earlier(mut note: ChartNote, series: &Series, charts: usize) -> ChartNote {
    let (earlier, own) = note.values.split_at(note.earlier);
    let n = earlier.len() as f64;
    let tail = FALSE_ALARM / (own.len().max(1) * charts.max(1)) as f64 / 2.0;
    let made = (|| {
        let (centre, sigma) = (mean(earlier)?, standard_deviation(earlier)?);
        let factor = t_quantile(1.0 - tail, n - 1.0)? * (1.0 + 1.0 / n).sqrt();
        let robust = robust_control_limits(earlier)?;
        let (lower, upper) = (centre - factor * sigma, centre + factor * sigma);
        let limits = ControlLimits { centre, sigma, lower, upper, ..robust };
        let found = signals(&note.values, &limits)?;
        Ok::<_, StatisticsError>((limits, factor, found))
    })();
    match made {
        Ok((limits, factor, mut found)) => {
            found.retain(|signal| signal.index >= note.earlier);
            let rule = format!(
                "limits {factor:.1} standard deviations about the mean of {} earlier values: a false alarm in {:.0} % of \
                 undisturbed runs",
                note.earlier,
                100.0 * FALSE_ALARM
            );
            say(&mut note, series, limits, found, &rule);
        }
        Err(error) => note.words = format!("no limits: {error}"),
    }
    note
}

/// Limits, signals and words of a chart.
fn say(note: &mut ChartNote, series: &Series, limits: ControlLimits, found: Vec<Signal>, rule: &str) {
    note.limits = Some((limits.centre, limits.lower, limits.upper));
    note.signals = found.iter().map(|signal| (signal.index, signal.rule.words().to_string())).collect();
    let named: Vec<String> = found
        .iter()
        .filter(|signal| signal.rule == ControlRule::BeyondLimit)
        .filter_map(|signal| {
            let value = note.values.get(signal.index)?;
            let place = match signal.index.checked_sub(note.earlier) {
                Some(own) => format!("job {} of the run", series.values.get(own)?.0 + 1),
                None => format!("value {} of earlier runs", signal.index + 1),
            };
            Some(format!("{value:.1} {} at {place}", note.unit))
        })
        .collect();
    note.words = if named.is_empty() {
        format!("in control ({rule})")
    } else {
        format!(
            "outside {:.1} to {:.1} {}: {} ({rule})",
            limits.lower,
            limits.upper,
            note.unit,
            named.join(", ")
        )
    };
}

#[cfg(test)]
mod tests {
    use super::*;
    use eye::cases::Draws;
    use nightbench_core::results::Direction;

    /// Twelve earlier values and six of a run, 2,000 times: at most one undisturbed run in twenty has a false alarm, and a run
    /// that is off by six deviations as a whole is seen, which limits from its own values would not show.
    #[test]
    fn earlier_values_alone_give_the_limits_and_show_a_run_that_is_off_as_a_whole() {
        let eye = EyeName { direction: Direction::Read, rank: 0, sub_channel: None };
        let mut draws = Draws::new(11);
        let (mut alarms, mut seen) = (0, 0);
        for _ in 0..2000 {
            let mut list = |by: f64, count: usize| -> Vec<f64> {
                (0..count).map(|_| 200.0 + by + draws.normal()).collect()
            };
            let (earlier, own, off) = (list(0.0, 12), list(0.0, 6), list(6.0, 6));
            let alarm = |own: Vec<f64>| {
                let values = own.iter().enumerate().map(|(at, value)| (at as u64, *value)).collect();
                let series = Series { eye, metric: Metric::Width, values };
                let note = chart(&series, earlier.clone(), own, 1);
                note.signals.iter().any(|(_, rule)| rule == ControlRule::BeyondLimit.words())
            };
            alarms += u32::from(alarm(own));
            seen += u32::from(alarm(off));
        }
        assert!((30..=115).contains(&alarms), "{alarms} of 2000");
        assert!(seen > 1900, "{seen} of 2000");
    }

    /// 2,000 undisturbed runs of two charts each, short ones and long: about one in twenty has a false alarm, and a shift
    /// of twelve deviations is seen in all but a few of the longer ones.
    #[test]
    fn undisturbed_runs_have_few_false_alarms_and_a_shift_is_seen() {
        let eye = EyeName { direction: Direction::Read, rank: 0, sub_channel: None };
        let mut draws = Draws::new(7);
        for n in [5usize, 14, 60] {
            let (mut alarms, mut seen) = (0, 0);
            for _ in 0..2000 {
                let mut alarm = false;
                for number in 0..2 {
                    let values = (0..n as u64).map(|at| (at, 200.0 + draws.normal())).collect();
                    let mut series = Series { eye, metric: Metric::Width, values };
                    let own = |series: &Series| series.values.iter().map(|(_, value)| *value).collect();
                    let beyond = |note: &ChartNote| {
                        note.signals.iter().any(|(_, rule)| rule == ControlRule::BeyondLimit.words())
                    };
                    alarm |= beyond(&chart(&series, Vec::new(), own(&series), 2));
                    if number == 0 {
                        series.values[n / 2].1 += 12.0;
                        seen += u32::from(beyond(&chart(&series, Vec::new(), own(&series), 2)));
                    }
                }
                alarms += u32::from(alarm);
            }
            let share = f64::from(alarms) / 2000.0;
            assert!((0.005..0.075).contains(&share), "{n} values: {share}");
            assert!(n < 14 || seen > 1700, "{n} values: {seen} of 2000 shifts seen");
        }
    }
}
