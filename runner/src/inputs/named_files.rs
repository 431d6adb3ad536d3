//! Reads the files that a plan names: SPD images of modules, Touchstone data of channels, a fitted model.

use crate::inputs::plain_file::read_text;
use crate::store::Store;
use nightbench_core::devices::{Channel, MeasuredChannel};
use plan::Plan;
use plan::files::{FileKind, Files, NamedFile, named_files, named_folders};
use plan::section::Mistake;
use plan::spd::MOST_BYTES;
use simulator::physics::Measured;
use simulator::touchstone::{
    self, Through, Touchstone, TouchstoneError, check_data, check_through, ports_in_name,
};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// The files of a plan.
pub struct Loaded {
    /// Their content as the plan needs it.
    pub files: Files,
    /// Touchstone data by the name the plan gives the file.
    networks: BTreeMap<String, Touchstone>,
}

/// Measured data of a plan's channels.
pub struct MeasuredChannels {
    /// By channel name.
    pub measured: BTreeMap<String, Measured>,
    /// Data that cannot be used, each with its place in the plan.
    pub mistakes: Vec<Mistake>,
    /// Doubts about data that is used.
    pub warnings: Vec<String>,
}

/// Reads every file that the plan at `plan_path` names, relative to the plan. A file that cannot be read becomes a mistake
/// of the plan when it is read with these files.
pub fn read(text: &str, plan_path: &Path) -> Loaded {
    let folder = plan_path.parent().unwrap_or(Path::new(""));
    let mut loaded = Loaded { files: Files::default(), networks: BTreeMap::new() };
    for file in named_files(text) {
        let path = folder.join(&file.name);
        match read_one(&file, &path) {
            Ok((bytes, network)) => {
                loaded.files.insert(&file, &bytes);
                loaded.networks.extend(network.map(|network| (file.name.clone(), network)));
            }
            // A plan that carries the content needs no file, so a missing one is no mistake by itself.
            Err(_) if !path.exists() && text.contains("[[file]]") => {}
            Err(words) => loaded.files.insert_fault(&file, words),
        }
    }
    loaded
}

fn read_one(file: &NamedFile, path: &Path) -> Result<(Vec<u8>, Option<Touchstone>), String> {
    match file.kind {
        FileKind::Spd => Ok((read_spd(path)?, None)),
        FileKind::Model => {
            let text =
                read_text(path, "a file that `nightbench fit` wrote").map_err(|failure| failure.words)?;
            Ok((text.into_bytes(), None))
        }
        FileKind::Touchstone => {
            let (bytes, network) = read_touchstone(path)?;
            Ok((bytes, Some(network)))
        }
    }
}

/// The bytes of an SPD image; larger files are refused before they are read.
///
/// # Errors
/// Names the file and what is wrong with it.
pub fn read_spd(path: &Path) -> Result<Vec<u8>, String> {
    let size = size_of(path)?;
    if size > MOST_BYTES as u64 {
        return Err(format!(
            "{} has {size} bytes; an SPD image has at most {MOST_BYTES}: is it one? A dump as text becomes one by `xxd -r DUMP IMAGE`",
            path.display()
        ));
    }
    std::fs::read(path).map_err(|error| format!("{}: {error}", path.display()))
}

/// The bytes of a Touchstone file and the network in it; too large files are refused before they are read.
///
/// # Errors
/// Names the file, and the line where its text is at fault.
pub fn read_touchstone(path: &Path) -> Result<(Vec<u8>, Touchstone), String> {
    let at_fault = |error: TouchstoneError| format!("{}: {error}", path.display());
    touchstone::check_size(size_of(path)?).map_err(at_fault)?;
    let bytes = std::fs::read(path).map_err(|error| format!("{}: {error}", path.display()))?;
    let ports = path.file_name().and_then(|name| ports_in_name(&name.to_string_lossy()));
    let network = touchstone::read(&bytes, ports).map_err(at_fault)?;
    Ok((bytes, network))
}

/// The run folders that a plan names and that are not there, or hold no results: studies, without which nothing can be judged, and
/// earlier runs, which a control chart can do without. A study is looked for from here and beside the plan, an earlier run from here.
pub fn missing_folders(text: &str, plan_path: &Path) -> (Vec<Mistake>, Vec<Mistake>) {
    let (mut studies, mut earlier) = (Vec::new(), Vec::new());
    for folder in named_folders(text) {
        let study = folder.key == "study";
        let beside = plan_path.parent().filter(|_| study).map(|above| above.join(&folder.name));
        let places = std::iter::once(PathBuf::from(&folder.name)).chain(beside);
        let found = places.into_iter().find(|place| place.is_dir());
        let fault = match found.as_deref().map(Store::exists) {
            Some(Ok(true)) => continue,
            Some(Ok(false)) => "holds no results".to_string(),
            Some(Err(error)) => format!("cannot be looked into: {error}"),
            None => "is not there".to_string(),
        };
        let (what, remedy) = if study {
            let remedy = "run the study first, or give its lines by figure (`nightbench study DIR` prints them); looked for from \
                          here and beside the plan";
            ("the study", remedy)
        } else {
            (
                "the earlier run folder",
                "its control chart begins without it; name a run folder as seen from here, or remove it",
            )
        };
        let list = if study { &mut studies } else { &mut earlier };
        list.push(Mistake {
            span: folder.span,
            message: format!("{what} `{}` {fault}", folder.name),
            remedy: Some(remedy.into()),
        });
    }
    (studies, earlier)
}

fn size_of(path: &Path) -> Result<u64, String> {
    let facts = std::fs::metadata(path).map_err(|error| format!("{}: {error}", path.display()))?;
    // A folder, pipe or device has no size to check, and reading it could take for ever.
    if !facts.is_file() {
        return Err(format!("{} is no plain file", path.display()));
    }
    Ok(facts.len())
}

/// Brings the channels' measured data to the form the simulated target takes.
pub fn measured(plan: &Plan, loaded: &Loaded) -> MeasuredChannels {
    let mut found =
        MeasuredChannels { measured: BTreeMap::new(), mistakes: Vec::new(), warnings: Vec::new() };
    for channel in &plan.channels {
        let Some(data) = &channel.measured else { continue };
        match one_channel(plan, channel, data, loaded) {
            Ok((measured, warnings)) => {
                found.measured.insert(channel.name.clone(), measured);
                found.warnings.extend(warnings);
            }
            Err(words) => found.mistakes.push(Mistake {
                span: data.span.clone(),
                message: format!("`touchstone` in [[channel]] `{}`: {words}", channel.name),
                remedy: None,
            }),
        }
    }
    found
}

fn one_channel(
    plan: &Plan,
    channel: &Channel,
    data: &MeasuredChannel,
    loaded: &Loaded,
) -> Result<(Measured, Vec<String>), String> {
    let network = loaded.networks.get(&data.file).ok_or_else(|| {
        format!("{} was not found; a stored plan keeps its digest only: bring the file back", data.file)
    })?;
    let line = through(network, data)?;
    let two_port = line.to_measured().map_err(|error| error.to_string())?;
    let mut warnings = check_data(network);
    if let Some(fastest) = plan.matrix.rates.iter().max() {
        warnings.extend(check_through(network, data.pairing, &line, fastest.bits_per_second()));
    }
    let replaces = data.replaces.clone();
    let words = network.remarks.iter().cloned().chain(warnings.iter().map(ToString::to_string));
    let name = &channel.name;
    let warnings = words.map(|words| format!("channel {name}, {}: {words}", data.file)).collect();
    let coupling = if data.coupling {
        let number = usize::from(data.line.saturating_sub(1));
        let found = network.coupling(data.pairing, number, data.reversed);
        let found = found.map_err(|error| error.to_string())?;
        Some(found.ok_or_else(|| {
            format!(
                "`touchstone_coupling` needs a four-port; {} has {} ports: measure two neighbouring lines (.s4p), or remove \
                 the key",
                data.file, network.ports
            )
        })?)
    } else {
        None
    };
    Ok((Measured { two_port, replaces, coupling }, warnings))
}

fn through(network: &Touchstone, data: &MeasuredChannel) -> Result<Through, String> {
    let line = usize::from(data.line.saturating_sub(1));
    if line >= network.lines() && network.lines() > 0 {
        return Err(format!(
            "{} has {} ports and so no line {}; `touchstone_line` can be 1 to {}",
            data.file,
            network.ports,
            data.line,
            network.lines()
        ));
    }
    let line = network.through(data.pairing, line).map_err(|error| error.to_string())?;
    Ok(if data.reversed { line.reversed() } else { line })
}
