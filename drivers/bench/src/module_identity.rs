//! Is the mounted module the one that the plan names? By its SPD content where the agent can read it, else by its serial number, else
//! by nobody's word but a person's.

use super::agent::messages::Identified;
use contract::{DriverError, FaultKind, Part, Setting};
use nightbench_core::devices::Module;
use plan::bench_file::KnownBy;
use plan::spd::SpdImage;

/// What is known of the mounted module.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ModuleIdentity {
    /// The plan's name of it.
    pub module: String,
    /// How it is known.
    pub known_by: KnownBy,
    /// Its serial number, where it tells one.
    pub serial: Option<String>,
    /// Name and value of each fact read from it.
    pub facts: Vec<(String, String)>,
}

/// Compares what the agent reads with the plan's module. `needed`: how closely it must be known, where that is to be decided now.
///
/// # Errors
/// `WrongIdentity` for another module, or one that is not known closely enough; `Protocol` for an SPD content that makes no sense.
pub(super) fn module(
    setting: &Setting,
    found: &Identified,
    needed: Option<KnownBy>,
) -> Result<ModuleIdentity, DriverError> {
    let plan = &*setting.module;
    let wrong = |words: String| Err(DriverError::new(FaultKind::WrongIdentity, words));
    let identity = match &found.module_spd {
        Some(digits) => {
            let image =
                bytes(digits).and_then(|bytes| SpdImage::read(&bytes).map_err(|error| error.to_string()));
            let image = image.map_err(|words| {
                DriverError::new(FaultKind::Protocol, format!("agent: `module_spd`: {words}")).at(Part::Agent)
            })?;
            let differences = differences(plan, &image);
            if !differences.is_empty() {
                return wrong(format!(
                    "the SPD content of what is mounted is not that of the plan's module `{}`: {}. Mount the right module, or \
                     correct the plan",
                    plan.name,
                    differences.join("; ")
                ));
            }
            let facts = image.facts().into_iter().map(|(name, value)| (name.to_string(), value)).collect();
            let (module, serial) = (plan.name.clone(), image.serial.clone());
            ModuleIdentity { module, known_by: KnownBy::Spd, serial, facts }
        }
        None => {
            let serial = found.module_serial.as_ref();
            if let (Some(expected), Some(found)) = (&plan.serial, serial)
                && expected != found
            {
                return wrong(format!(
                    "the plan's module `{}` has the serial number {expected}, the agent reads {found}: mount the right \
                     module, or correct the plan",
                    plan.name
                ));
            }
            let compared = plan.serial.is_some() && serial.is_some();
            ModuleIdentity {
                module: plan.name.clone(),
                known_by: if compared { KnownBy::Serial } else { KnownBy::Nothing },
                serial: serial.cloned(),
                facts: serial
                    .map(|serial| ("serial number".to_string(), serial.clone()))
                    .into_iter()
                    .collect(),
            }
        }
    };
    match needed.filter(|needed| identity.known_by < *needed) {
        None => Ok(identity),
        Some(needed) => wrong(format!(
            "the module `{}` is to be known by its {} (`modules_known_by`), but is known by {}: {}",
            plan.name,
            needed.name(),
            identity.known_by.name(),
            match needed {
                KnownBy::Spd => "let the agent answer `module_spd`",
                _ => "let the agent answer `module_serial`, and give the module's `serial` in the plan",
            }
        )),
    }
}

/// Hexadecimal digits as bytes.
fn bytes(digits: &str) -> Result<Vec<u8>, String> {
    let pairs = digits.as_bytes().chunks(2);
    let byte =
        |pair: &[u8]| std::str::from_utf8(pair).ok().and_then(|pair| u8::from_str_radix(pair, 16).ok());
    let bytes: Option<Vec<u8>> = pairs.map(|pair| byte(pair).filter(|_| pair.len() == 2)).collect();
    bytes.ok_or_else(|| "is not an even number of hexadecimal digits".to_string())
}

/// Where the image is another module than the plan's.
fn differences(plan: &Module, image: &SpdImage) -> Vec<String> {
    let mut list = Vec::new();
    let mut differ = |what: &str, read: String, planned: String| {
        if read != planned {
            list.push(format!("{what} {read}, the plan says {planned}"));
        }
    };
    differ("generation", image.generation.to_string(), plan.rated.generation().to_string());
    differ("kind", image.kind.name().into(), plan.kind.name().into());
    let packages = |stacked: bool| if stacked { "3DS stacks" } else { "no 3DS stacks" }.to_string();
    differ("packages", packages(image.package.is_stack()), packages(plan.stacked));
    differ("ranks", image.package_ranks.to_string(), plan.ranks.to_string());
    differ("device width", format!("x{}", image.device_width), format!("x{}", plan.device_width));
    differ("dies", image.package.dies().to_string(), plan.dies.to_string());
    differ("rated", format!("{} MT/s", image.rated), format!("{} MT/s", plan.rated));
    if let Some(planned) = &plan.serial {
        let read = image.serial.clone().unwrap_or_else(|| "blank".into());
        differ("serial number", read.to_ascii_uppercase(), planned.to_ascii_uppercase());
    }
    list
}
