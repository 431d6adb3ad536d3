//! From an SPD image to a plan: the text of a `[[module]]` entry, the module itself, and the facts a person
//! checks.

use super::{Addressing, Package, SpdImage};
use nightbench_core::devices::{Interface, Module};
use nightbench_core::results::{LaneSet, MOST_LANES};
use nightbench_core::text::lane_list;
use std::fmt::Write;

impl SpdImage {
    /// A name for the module in a plan: its part number in lower case and its serial number; `module` where
    /// both are blank.
    pub fn plan_name(&self) -> String {
        let part = self.part_number.as_deref().unwrap_or("module");
        let mut name = String::new();
        for letter in part.chars() {
            if letter.is_ascii_alphanumeric() {
                name.push(letter.to_ascii_lowercase());
            } else if !name.is_empty() && !name.ends_with('-') {
                name.push('-');
            }
        }
        let name = name.trim_end_matches('-');
        let name = if name.is_empty() { "module" } else { name };
        match &self.serial {
            Some(serial) => format!("{name}-{}", serial.to_ascii_lowercase()),
            None => name.to_string(),
        }
    }

    /// The module's entry as a plan's text. `lanes`: the lanes of the interface under test, where known;
    /// lanes beyond them are left out. Text fields are quoted as TOML asks.
    pub fn plan_entry(&self, name: &str, lanes: Option<u16>) -> String {
        let text = |value: &str| toml::Value::String(value.to_string()).to_string();
        let mut entry = String::from("[[module]]\n");
        // Writing to a string cannot fail.
        let mut line = |key: &str, value: String| {
            let _ = writeln!(entry, "{key} = {value}");
        };
        line("name", text(name));
        line("kind", text(self.kind.name()));
        if self.package.is_stack() {
            line("stack", text("3DS"));
        }
        line("ranks", self.package_ranks.to_string());
        line("device_width", self.device_width.to_string());
        line("dies", self.package.dies().to_string());
        line("rated", self.rated.to_string());
        line("populated_lanes", format!("[\"{}\"]", lane_list(self.reachable_lanes(lanes).iter())));
        if let Some(serial) = &self.serial {
            line("serial", text(serial));
        }
        entry
    }

    /// The module as a plan holds it, called `name`, on this interface.
    ///
    /// # Errors
    /// A sentence, when the module's generation is not the interface's.
    pub fn to_module(&self, name: &str, interface: &Interface) -> Result<Module, String> {
        if self.generation != interface.generation {
            return Err(format!(
                "byte 2 of the image says {}, the interface is {}: mount a {} module or change `generation`",
                self.generation, interface.generation, interface.generation
            ));
        }
        Ok(Module {
            name: name.to_string(),
            kind: self.kind,
            stacked: self.package.is_stack(),
            half_populated: false,
            ranks: self.package_ranks,
            device_width: self.device_width,
            dies: self.package.dies(),
            rated: self.rated,
            populated: vec![self.reachable_lanes(Some(interface.lanes))],
            serial: self.serial.clone(),
            overrides: Vec::new(),
            lane_models: Vec::new(),
            fault: None,
        })
    }

    /// Lanes of the interface that the module has: each of its channels meets one of the interface, whose lanes for ECC it may
    /// lack.
    fn reachable_lanes(&self, interface: Option<u16>) -> LaneSet {
        let own = self.lanes().min(MOST_LANES);
        let all = interface.unwrap_or(own).min(MOST_LANES);
        let channels = self.generation.facts().channels;
        let (mine, theirs) = (channels.width(own).max(1), channels.width(all).max(1));
        let mut lanes = LaneSet::default();
        for lane in 0..own {
            let (channel, place) = (lane / mine, lane % mine);
            let there = channel * theirs + place;
            if place < theirs && there < all {
                lanes.insert(there);
            }
        }
        lanes
    }

    /// What a person compares with the label: name and value of each fact, in reading order.
    pub fn facts(&self) -> Vec<(&'static str, String)> {
        let or_blank = |text: &Option<String>| text.clone().unwrap_or_else(|| "blank".into());
        let package = match self.package {
            Package::Monolithic => "one die".to_string(),
            Package::MultiLoad { dies } => format!("{dies} dies, each a load"),
            Package::SingleLoad { dies } => format!("{dies} dies behind one load (3DS)"),
        };
        let ecc = match self.ecc_lanes {
            0 => "no ECC".to_string(),
            lanes => format!("{lanes} ECC"),
        };
        let channels = if self.channels == 1 { "" } else { ", on each of two sub-channels" };
        let gibibytes = self.capacity_bytes as f64 / (1u64 << 30) as f64;
        let mut facts = vec![
            ("module", format!("{} {}", self.generation, self.module_type)),
            ("kind in a plan", self.kind.name().to_string()),
            ("part number", or_blank(&self.part_number)),
            ("serial number", or_blank(&self.serial)),
            ("capacity", format!("{gibibytes} GiB")),
            ("ranks", format!("{} package ranks, {} logical", self.package_ranks, self.logical_ranks())),
            ("devices", format!("x{}, {} Gbit a die, {package}", self.device_width, self.die_gigabits)),
            ("addressing", {
                let Addressing { row_bits, column_bits, bank_groups, banks } = self.addressing;
                let groups =
                    if bank_groups == 1 { String::new() } else { format!("{bank_groups} bank groups of ") };
                format!("{row_bits} row bits, {column_bits} column bits, {groups}{banks} banks")
            }),
            ("lanes", format!("{} data, {ecc}{channels}", self.data_lanes)),
            ("loads on a lane", self.loads_per_lane().to_string()),
            ("rated", format!("{} MT/s (clock period {} ps)", self.rated, self.clock_period_ps)),
            ("temperature sensor", if self.temperature_sensor { "yes" } else { "no" }.to_string()),
        ];
        if let Some(range) = self.temperature_range {
            facts.push(("temperature range", range.to_string()));
        }
        if let Some((year, week)) = self.made {
            facts.push(("made", format!("20{year:02}, week {week}")));
        }
        if let Some((continuation, code)) = self.maker {
            facts.push(("maker (JEP-106)", format!("0x{continuation:02X} 0x{code:02X}")));
        }
        facts.push(("layout revision", format!("{}.{}", self.revision.0, self.revision.1)));
        facts
    }
}
