//! A first plan to begin with: complete, commented, and silent under `check`.

use crate::bench_file::BenchFile;
use crate::read_devices::default_interface;
use crate::spd::SpdImage;
use nightbench_core::devices::{ModuleKind, SweepRange};
use nightbench_core::generations::{Channels, Signalling};
use nightbench_core::rates::{DataRate, Generation};
use std::fmt::Write as _;

/// What is known before the first plan is written; the rest are choices that its comments name.
#[derive(Debug)]
pub struct FirstPlan<'a> {
    /// Memory generation of the interface.
    pub generation: Generation,
    /// Kind of the invented module that stands in where no SPD image was read.
    pub kind: ModuleKind,
    /// Modules that were read, each with the name of its file (on one line). All of this generation.
    pub modules: &'a [(String, SpdImage)],
    /// The bench that it is to run on, with the name of its file (on one line).
    pub bench: Option<(&'a str, &'a BenchFile)>,
}

/// Rates of the matrix: the fastest that every module is sold for, and those below it.
const RATES: usize = 3;
/// Room and a hot device, °C, where the bench allows them. Below 85 °C the refresh rate is the normal one
/// (JESD79-4, 79-5; from memory).
const TEMPERATURES: [f64; 2] = [25.0, 80.0];

impl FirstPlan<'_> {
    /// The plan as TOML.
    pub fn to_text(&self) -> String {
        let mut plan = String::new();
        // Writing to a string cannot fail.
        let _ = self.write(&mut plan);
        plan
    }

    fn write(&self, plan: &mut String) -> std::fmt::Result {
        let generation = self.generation;
        let quoted = |text: &str| toml::Value::String(text.to_string()).to_string();
        writeln!(
            plan,
            "# A first plan. It runs as it stands:\n\
             #   nightbench check PLAN      every mistake, with line and remedy\n\
             #   nightbench preview PLAN    what would run, how long, what to mount when\n\
             #   nightbench run PLAN        on the simulated target; ends with the path of a report\n\
             # Lines marked \"assumed\" are yours to correct before a result means anything.\n\
             title = \"First look, {generation}\"\n\
             # purpose = \"What is to be decided, in one sentence.\"\n\n\
             [interface]\n\
             generation = \"{generation}\"\n\
             lanes = {}                # data lanes (DQ){}",
            self.lanes(),
            if self.modules.is_empty() { "; assumed" } else { " of the widest module" },
        )?;
        if generation.facts().dfe {
            writeln!(plan, "dfe = true                # the receiver's DFE is on; assumed")?;
            writeln!(
                plan,
                "dram_dfe = true           # the DRAM's, too, where writes are captured; assumed"
            )?;
        }
        let range = wide_sweep(generation);
        writeln!(
            plan,
            "# Sweep of the capture flops: what yours can do; on a bench the device says it itself. An eye that leaves it has no\n\
             # known size, and what lies far from an eye costs a few short counts.\n\
             [interface.read]\n\
             taps = {}\n\
             taps_per_ui = {}\n\
             vref_start_percent = {}   # % of VDDQ\n\
             vref_step_percent = {}\n\
             vref_steps = {}\n",
            range.taps,
            range.taps_per_ui,
            range.vref_start_percent,
            range.vref_step_percent,
            range.vref_steps
        )?;
        if let Some((name, bench)) = self.bench
            && let Some(mounted) = &bench.mounted
        {
            writeln!(plan, "# Chip as stated in {name}.\n[[chip]]\nname = {}\n", quoted(&mounted.chip))?;
        }
        self.write_modules(plan)?;
        let fits: Vec<String> = self.fits().iter().map(|kind| quoted(kind)).collect();
        let channel =
            self.bench.and_then(|(_, bench)| bench.mounted.as_ref()).map_or("direct", |m| &m.channel);
        let words = if matches!(self.kind, ModuleKind::Soldered | ModuleKind::Camm2) {
            "# The lines between chip and device: one table a board, by the model's lengths (`[channel.model]`) or by measured\n\
             # data (`nightbench channel FILE` prints the entry)."
        } else {
            "# What stands between chip and module. Add one table a riser or adapter that spoils the channel on purpose,\n\
             # for example `risers = 1`, or measured data (`nightbench channel FILE` prints the entry)."
        };
        writeln!(plan, "{words}\n[[channel]]\nname = {}\nfits = [{}]\n", quoted(channel), fits.join(", "))?;
        let rates: Vec<String> = self.rates().iter().map(|rate| rate.nominal().to_string()).collect();
        let degrees: Vec<String> = self.temperatures().iter().map(ToString::to_string).collect();
        writeln!(
            plan,
            "# Every level is crossed with every other; one of each is a condition.\n\
             [matrix]\nrate = [{}]          # MT/s\ntemperature_degc = [{}]\ntemperature_at = \"chip\"   # or \"DRAM case\", \"air\"\n",
            rates.join(", "),
            degrees.join(", ")
        )?;
        writeln!(
            plan,
            "[capture]\ndirections = [\"read\"]       # \"write\", too, where the device can\n\
             ber_limit = 1e-6            # a point passes below this bit error ratio ...\n\
             confidence = 0.95           # ... at this confidence\n\n\
             # U can be known only from repeats: three measurements of each condition, each retrained.\n\
             [repeats]\nrepeats = 3\n"
        )?;
        for (metric, minimum, unit, what) in [
            ("width", "0.25", "UI", "the receiver's timing budget"),
            ("height", "6", "% VDDQ", "its voltage budget"),
        ] {
            writeln!(
                plan,
                "[[limit]]\nmetric = \"{metric}\"\ndirection = \"read\"\nminimum = {minimum}\nunit = \"{unit}\"\n\
                 source = \"assumed: put {what} here\"\n"
            )?;
        }
        writeln!(
            plan,
            "# A pass is shown with a guard band of U at the limit; others: \"simple acceptance\", \"ILAC-G8\" and more (PLANS.md).\n\
             [decision]\nrule = \"guard band U\""
        )?;
        if matches!(generation, Generation::Ddr4 | Generation::Ddr5) {
            writeln!(
                plan,
                "\n# What a bench has and a plain channel lacks: supply noise, a strobe that does not track, uneven edges and more,\n\
                 # by estimates of this program (MODEL.md). A bench knows nothing of this.\n\
                 [model]\neffects = \"estimated\""
            )?;
        }
        self.write_bench(plan)
    }

    fn write_modules(&self, plan: &mut String) -> std::fmt::Result {
        if self.modules.is_empty() {
            let rated = self.rated();
            let wide = match self.kind {
                ModuleKind::Lrdimm | ModuleKind::Rdimm => 4,
                ModuleKind::Soldered | ModuleKind::Camm2 => 16,
                ModuleKind::Udimm | ModuleKind::Sodimm => 8,
            };
            let mounted = self.bench.and_then(|(_, bench)| bench.mounted.as_ref());
            let name =
                mounted.map_or_else(|| format!("Sample {} {rated}", self.kind.name()), |m| m.module.clone());
            let name = toml::Value::String(name);
            return writeln!(
                plan,
                "# An invented module. Yours from its SPD image: `nightbench new --module FILE`.\n\
                 [[module]]\nname = {name}\nkind = \"{kind}\"\nranks = 1\ndevice_width = {wide}\n\
                 rated = {rated}              # MT/s it is sold for; faster runs as \"beyond rating\"\n",
                kind = self.kind.name(),
            );
        }
        let mut names: Vec<String> = Vec::new();
        for (file, image) in self.modules {
            let plain = image.plan_name();
            let same = names.iter().filter(|name| **name == plain).count();
            let name = if same == 0 { plain.clone() } else { format!("{plain} ({})", same + 1) };
            names.push(plain);
            writeln!(plan, "# From {file}.\n{}", image.plan_entry(&name, Some(self.lanes())))?;
        }
        Ok(())
    }

    fn write_bench(&self, plan: &mut String) -> std::fmt::Result {
        let Some((name, bench)) = self.bench else { return Ok(()) };
        let (low, high) = bench.touch_band();
        write!(
            plan,
            "\n# As {name} has them: hands only between these.\n[bench_times]\n\
             touch_safe_low_degc = {}\ntouch_safe_high_degc = {}\n",
            low.0, high.0
        )
    }

    fn lanes(&self) -> u16 {
        self.modules.iter().map(|(_, image)| image.lanes()).max().unwrap_or(
            match self.generation.facts().channels {
                Channels::Of(width) => 2 * width,
                _ => 64,
            },
        )
    }

    /// MT/s that every module is sold for.
    fn rated(&self) -> u32 {
        let common = self.generation.facts().usual_rate;
        self.modules.iter().map(|(_, image)| image.rated.nominal()).min().unwrap_or(common)
    }

    fn rates(&self) -> Vec<DataRate> {
        let rated = self.rated();
        let slower: Vec<DataRate> = self.generation.rates().filter(|rate| rate.nominal() <= rated).collect();
        slower[slower.len().saturating_sub(RATES)..].to_vec()
    }

    fn fits(&self) -> Vec<&'static str> {
        let mut kinds: Vec<&'static str> = Vec::new();
        if self.modules.is_empty() {
            kinds.push(self.kind.name());
        }
        for (_, image) in self.modules {
            kinds.push(image.kind.name());
            if image.package.is_stack() {
                kinds.push("3DS");
            }
        }
        kinds.sort_unstable();
        kinds.dedup();
        kinds
    }

    fn temperatures(&self) -> Vec<f64> {
        let Some((_, bench)) = self.bench else { return TEMPERATURES.to_vec() };
        let (low, high) = (bench.limits.device_low, bench.limits.device_high);
        // A level needs room for the settling band within the device's limits; a narrow range has its middle only.
        let band = 2.0 * bench.settle.band.0;
        let (least, most) = ((low.0 + band).ceil(), (high.0 - band).floor());
        if least > most {
            return vec![(low.0 + high.0) / 2.0];
        }
        let mut levels = TEMPERATURES.map(|level| level.clamp(least, most)).to_vec();
        levels.dedup();
        levels
    }
}

/// A sweep over 71 % of VDDQ, which holds every common eye (from 30 %: tried on 1,028 of the simulated target); where it starts
/// follows from where the lines are terminated.
fn wide_sweep(generation: Generation) -> SweepRange {
    let range = default_interface(generation, 1).read;
    let steps = (71.0 / range.vref_step_percent).round() as u16 + 1;
    let start = match generation.facts().signalling {
        Signalling::Pod => 30.0,
        Signalling::Sstl => 14.5,
        Signalling::Lvstl => 0.0,
    };
    SweepRange { vref_start_percent: start, vref_steps: steps, ..range }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Plan;
    use nightbench_core::units::Celsius;

    #[test]
    fn every_first_plan_is_read_without_a_word() {
        for (_, generation) in Generation::ALL {
            for kind in generation.facts().kinds.iter().copied() {
                let text = FirstPlan { generation, kind, modules: &[], bench: None }.to_text();
                let plan = Plan::read(&text).unwrap_or_else(|mistakes| panic!("{mistakes:?}\n{text}"));
                assert!(plan.warnings.is_empty(), "{:?}", plan.warnings);
                assert_eq!(plan.matrix.rates.len(), RATES);
                assert!(plan.modules.iter().all(|module| module.kind == kind));
            }
        }
    }

    #[test]
    fn a_bench_narrows_the_temperatures_and_names_what_is_mounted() {
        let text = include_str!("../../../drivers/bench/agent/every-key-bench.toml");
        let bench = BenchFile::read(text).expect("sound");
        let text = FirstPlan {
            generation: Generation::Ddr4,
            kind: ModuleKind::Udimm,
            modules: &[],
            bench: Some(("bench.toml", &bench)),
        }
        .to_text();
        let plan = Plan::read(&text).unwrap_or_else(|mistakes| panic!("{mistakes:?}\n{text}"));
        assert!(plan.warnings.is_empty(), "{:?}", plan.warnings);
        let mounted = bench.mounted.as_ref().expect("every key");
        assert_eq!((&plan.chips[0].name, &plan.channels[0].name), (&mounted.chip, &mounted.channel));
        assert_eq!(plan.modules[0].name, mounted.module);
        let (low, high) = bench.touch_band();
        assert_eq!((plan.times.touch_safe_lo_c, plan.times.touch_safe_hi_c), (low.0, high.0));
        assert!(plan.matrix.temperatures.iter().all(|level| *level <= bench.limits.device_high));
        // A range narrower than two settling bands has its middle, no panic.
        let mut narrow = bench.clone();
        (narrow.limits.device_low, narrow.limits.device_high) = (Celsius(22.0), Celsius(22.5));
        let first = FirstPlan {
            generation: Generation::Ddr4,
            kind: ModuleKind::Udimm,
            modules: &[],
            bench: Some(("bench.toml", &narrow)),
        };
        assert_eq!(first.temperatures(), [22.25]);
    }
}
