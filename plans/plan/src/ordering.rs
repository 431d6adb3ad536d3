//! The order that a plan asks for, and the times of its bench: `[order]`, `[bench_times]`.

use super::matrix::{FACTORS, read_one_level_each};
use super::section::{Placed, Section};
use nightbench_core::rates::Generation;
use nightbench_core::text::{Named, nearest};
use schedule::BenchTimes;
use std::ops::Range;

/// Setups that a precedence names: a module, a channel, or both (indices into the declared lists); `None` is
/// any.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct SetupFilter {
    pub module: Option<usize>,
    pub channel: Option<usize>,
}

impl SetupFilter {
    /// Does a setup (indices into the declared lists) belong?
    pub fn contains(&self, module: usize, channel: usize) -> bool {
        self.module.is_none_or(|wanted| wanted == module)
            && self.channel.is_none_or(|wanted| wanted == channel)
    }
}

/// Everything of some setups before anything of others.
#[derive(Debug, Clone, PartialEq)]
pub struct Precedence {
    pub first: SetupFilter,
    pub then: SetupFilter,
    /// Place in the plan.
    pub span: Range<usize>,
}

/// A condition measured again and again, to show drift.
#[derive(Debug, Clone, PartialEq)]
pub struct Reference {
    /// It is measured again after at most this many other jobs.
    pub every_jobs: u32,
    /// Level of each factor (index into the matrix's levels); `None` = the first that is not skipped.
    pub levels: [Option<u16>; FACTORS],
    /// Earlier run folders whose reference jobs begin the control chart.
    pub earlier: Vec<String>,
}

#[derive(Debug, Clone, PartialEq, Default)]
pub struct OrderConfig {
    /// Within each mounting, colder temperatures come first.
    pub cold_first: bool,
    /// Module and channel (indices into the declared lists) that come first and whose first job is measured
    /// again last.
    pub baseline: Option<(usize, usize)>,
    /// Only the setup mounted at the beginning is run: everything else needs hands and is left out with that
    /// reason.
    pub night_only: bool,
    /// Module and channel mounted for a night-only plan; `None` = the setup with the most conditions.
    pub mounted: Option<(usize, usize)>,
    pub before: Vec<Precedence>,
    pub reference: Option<Reference>,
}

impl OrderConfig {
    /// Reads `[order]`; the price of a hands-on change goes into `times`. Also gives the table of the
    /// reference job, whose levels can be read only once the matrix is known (see
    /// [`OrderConfig::read_reference`]).
    pub fn read<'s, M: Named, C: Named>(
        section: Option<Section<'s>>,
        times: &mut BenchTimes,
        modules: &[M],
        channels: &[C],
    ) -> (OrderConfig, Option<Section<'s>>) {
        let mut order = OrderConfig::default();
        let Some(section) = section else { return (order, None) };
        order.cold_first = section.flag("cold_first", false);
        if let Some(price) = section.number("hands_on_price_min", 0.0..=1440.0, "min") {
            times.price_min = price;
        }
        order.baseline = setup(&section, "baseline_module", "baseline_channel", modules, channels);
        order.night_only = section.flag("night_only", false);
        order.mounted = setup(&section, "mounted_module", "mounted_channel", modules, channels);
        if order.mounted.is_some() && !order.night_only {
            section.mistake(
                "mounted_module",
                "a mounted setup is named, but the plan is not night-only",
                "add `night_only = true`, or remove `mounted_module` and `mounted_channel`",
            );
        }
        for precedence in section.tables("precedence") {
            let side = |key: &'static str| {
                let Some(table) = precedence.table(key) else {
                    if !precedence.has(key) {
                        precedence.mistake(
                            key,
                            format!("{} has no `{key}`", precedence.title),
                            format!("add `{key} = {{ module = \"...\" }}`, with `channel` or both"),
                        );
                    }
                    return None;
                };
                let filter = SetupFilter {
                    module: table.text("module").and_then(|text| find(&table, &text, "module", modules)),
                    channel: table.text("channel").and_then(|text| find(&table, &text, "channel", channels)),
                };
                if !table.has("module") && !table.has("channel") {
                    table.mistake(
                        key,
                        format!("{} names neither module nor channel", table.title),
                        "name one",
                    );
                }
                table.finish();
                Some(filter)
            };
            let (first, then) = (side("first"), side("then"));
            let span = precedence.span.clone();
            precedence.finish();
            order.before.extend(first.zip(then).map(|(first, then)| Precedence { first, then, span }));
        }
        let every = section.whole("reference_every_jobs", 1..=1_000_000, "jobs");
        let earlier = section.texts("reference_earlier").unwrap_or_default();
        let reference = section.table("reference");
        if reference.is_some() && every.is_none() && !section.has("reference_every_jobs") {
            section.mistake(
                "reference",
                "a reference job is named, but not how often it is measured",
                "add `reference_every_jobs = 100`",
            );
        }
        if let Some(every) = every {
            order.reference = Some(Reference {
                every_jobs: every as u32,
                levels: [None; FACTORS],
                earlier: earlier.into_iter().map(|folder| folder.value).collect(),
            });
        }
        section.finish();
        (order, reference)
    }

    /// Reads the levels of the reference job; `names` are the printed names of every factor's levels.
    pub fn read_reference(
        &mut self,
        section: Option<Section<'_>>,
        generation: Generation,
        names: &[Vec<String>; FACTORS],
    ) {
        let (Some(section), Some(reference)) = (section, &mut self.reference) else { return };
        reference.levels = read_one_level_each(&section, generation, names);
        section.finish();
    }

    /// A circle in the precedences over the setups that are run, if there is one: the setups on it, in order.
    /// Setups are (module, channel) indices into the declared lists. Linear in setups x precedences: each
    /// precedence is a place between its two sides.
    pub fn circle(&self, setups: &[(usize, usize)]) -> Option<Vec<(usize, usize)>> {
        let mut edges: Vec<Precedence> = self.before.clone();
        if let Some((module, channel)) = self.baseline {
            // Only a precedence that puts something before the baseline can close this circle.
            let base = SetupFilter { module: Some(module), channel: Some(channel) };
            edges.push(Precedence { first: base, then: SetupFilter::default(), span: 0..0 });
        }
        let places = setups.len() + edges.len();
        let next = |place: usize| -> Vec<usize> {
            let inside = |filter: &SetupFilter, k: usize| filter.contains(setups[k].0, setups[k].1);
            match place.checked_sub(setups.len()) {
                None => (0..edges.len())
                    .filter(|e| inside(&edges[*e].first, place))
                    .map(|e| setups.len() + e)
                    .collect(),
                Some(e) => {
                    let baseline = e >= self.before.len();
                    let open =
                        |k: &usize| inside(&edges[e].then, *k) && !(baseline && inside(&edges[e].first, *k));
                    (0..setups.len()).filter(open).collect()
                }
            }
        };
        let mut state = vec![0u8; places];
        for root in 0..places {
            if state[root] != 0 {
                continue;
            }
            state[root] = 1;
            let mut path: Vec<(usize, Vec<usize>)> = vec![(root, next(root))];
            while let Some((place, open)) = path.last_mut() {
                match open.pop() {
                    Some(to) if state[to] == 0 => {
                        state[to] = 1;
                        let beyond = next(to);
                        path.push((to, beyond));
                    }
                    Some(to) if state[to] == 1 => {
                        let from = path.iter().position(|(on, _)| *on == to).unwrap_or(0);
                        return Some(
                            path[from..].iter().filter_map(|(on, _)| setups.get(*on).copied()).collect(),
                        );
                    }
                    Some(_) => {}
                    None => {
                        state[*place] = 2;
                        path.pop();
                    }
                }
            }
        }
        None
    }
}

fn find<T: Named>(
    section: &Section<'_>,
    text: &Placed<String>,
    what: &'static str,
    known: &[T],
) -> Option<usize> {
    let found = known.iter().position(|one| one.name() == text.value);
    if found.is_none() && !section.mistakes().is_broken(what, &text.value) {
        let remedy = match nearest(&text.value, known.iter().map(Named::name)) {
            Some(name) => format!("did you mean `{name}`?"),
            None => format!("use the name of a [[{what}]]"),
        };
        section.mistakes().add(
            text.span.clone(),
            format!("{} names the {what} `{}`, which is not declared", section.title, text.value),
            Some(remedy),
        );
    }
    found
}

/// A setup named by two keys, which come together.
fn setup<M: Named, C: Named>(
    section: &Section<'_>,
    module_key: &'static str,
    channel_key: &'static str,
    modules: &[M],
    channels: &[C],
) -> Option<(usize, usize)> {
    match (section.text(module_key), section.text(channel_key)) {
        (Some(module), Some(channel)) => {
            let m = find(section, &module, "module", modules);
            let c = find(section, &channel, "channel", channels);
            m.zip(c)
        }
        (None, None) => None,
        (module, _) => {
            section.mistake(
                if module.is_some() { module_key } else { channel_key },
                "a setup needs a module and a channel",
                format!("give both `{module_key}` and `{channel_key}`, or neither"),
            );
            None
        }
    }
}

/// Reads `[bench_times]`; what is left out keeps its default, an estimate.
pub fn read_times(section: Option<Section<'_>>) -> BenchTimes {
    let mut times = BenchTimes::default();
    let Some(section) = section else { return times };
    {
        let read = |key: &'static str, range: std::ops::RangeInclusive<f64>, unit: &str, slot: &mut f64| {
            if let Some(value) = section.number(key, range, unit) {
                *slot = value;
            }
        };
        let rate = 1e-3..=1e3;
        read("ramp_up_degc_per_min", rate.clone(), "°C/min", &mut times.ramp_up_c_per_min);
        read("ramp_down_degc_per_min", rate, "°C/min", &mut times.ramp_down_c_per_min);
        read("soak_s", 0.0..=86_400.0, "s", &mut times.soak_s);
        read("settle_s", 0.0..=86_400.0, "s", &mut times.settle_s);
        read("hands_module_min", 0.0..=480.0, "min", &mut times.hands_module_min);
        read("hands_channel_min", 0.0..=480.0, "min", &mut times.hands_channel_min);
        read("boot_s", 0.0..=3600.0, "s", &mut times.boot_s);
        read("supply_change_s", 0.0..=3600.0, "s", &mut times.supply_change_s);
        read("rate_change_s", 0.0..=3600.0, "s", &mut times.rate_change_s);
        read("mounting_check_s", 0.0..=3600.0, "s", &mut times.mounting_check_s);
        read("touch_safe_low_degc", 0.0..=60.0, "°C", &mut times.touch_safe_lo_c);
        read("touch_safe_high_degc", 0.0..=60.0, "°C", &mut times.touch_safe_hi_c);
        read("start_degc", -60.0..=150.0, "°C", &mut times.start_c);
        read("range_low_degc", -80.0..=150.0, "°C", &mut times.range_lo_c);
        read("range_high_degc", -80.0..=200.0, "°C", &mut times.range_hi_c);
    }
    if section.mistakes().is_empty()
        && let Err(error) = times.check()
    {
        section.mistakes().add(
            section.span.clone(),
            error.to_string(),
            Some("correct the values of [bench_times]".into()),
        );
    }
    section.finish();
    times
}

/// Temperature levels that the bench cannot be driven to.
pub fn check_range(matrix: Option<Section<'_>>, times: &BenchTimes) {
    let Some(section) = matrix else { return };
    for level in section.numbers("temperature_degc", -60.0..=150.0, "°C").unwrap_or_default() {
        if !(times.range_lo_c..=times.range_hi_c).contains(&level.value) {
            section.mistakes().add(
                level.span,
                format!(
                    "the temperature level of {} °C is outside the bench's range of {} to {} °C",
                    level.value, times.range_lo_c, times.range_hi_c
                ),
                Some(
                    "drop the level, or correct `range_low_degc` and `range_high_degc` in [bench_times]"
                        .into(),
                ),
            );
        }
    }
}
