//! `new`: a first plan that runs at once.

use crate::cli::NewArguments;
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::terminal::Terminal;
use crate::inputs::named_files::read_spd;
use crate::run::bench_run::read_bench;
use nightbench_core::devices::ModuleKind;
use nightbench_core::rates::Generation;
use plan::Plan;
use plan::first_plan::FirstPlan;
use plan::matrix::Factor;
use plan::spd::SpdImage;
use std::io::{BufRead, IsTerminal, Write};
use std::path::Path;

/// Writes the plan and says how to go on.
pub fn new(terminal: &Terminal, arguments: &NewArguments) -> Outcome {
    let modules: Vec<(String, SpdImage)> =
        arguments.module.iter().map(|path| read_module(path)).collect::<Result<_, _>>()?;
    let bench = match &arguments.bench {
        Some(path) => Some((one_line(path), read_bench(path, terminal.colour_err)?)),
        None => None,
    };
    let generation = generation(arguments, &modules)?;
    let kind = match (&arguments.kind, modules.is_empty()) {
        (Some(_), false) => {
            return Err(Failure::invalid(
                "--kind is for a plan without --module: an SPD image says its kind",
            ));
        }
        (Some(word), true) => kind(word).ok_or_else(|| unknown_kind(word))?,
        (None, true) => {
            let usual = generation.facts().kinds.first().map_or("UDIMM", |kind| kind.name());
            asked("Module kind", usual, kind, unknown_kind)?
        }
        (None, false) => modules.first().map_or(ModuleKind::Udimm, |(_, image)| image.kind),
    };
    let kinds = generation.facts().kinds;
    if !kinds.contains(&kind) {
        let names: Vec<&str> = kinds.iter().map(|kind| kind.name()).collect();
        return Err(Failure::invalid(format!(
            "{} is no kind of {generation}; its kinds: {}",
            kind.name(),
            names.join(", ")
        )));
    }
    let bench = bench.as_ref().map(|(name, bench)| (name.as_str(), bench));
    let text = FirstPlan { generation, kind, modules: &modules, bench }.to_text();
    let path = &arguments.plan;
    let shown = path.display();
    let mut file = std::fs::File::create_new(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::AlreadyExists => {
            Failure::invalid(format!("{shown} exists and stays as it is; name another file"))
        }
        _ => Failure::new(Exit::Store, format!("{shown}: {error}")),
    })?;
    file.write_all(text.as_bytes())
        .and_then(|()| file.sync_all())
        .map_err(|error| Failure::new(Exit::Store, format!("{shown}: {error}")))?;
    let quoted = shell_word(path);
    let look = first_look(&text).map_or_else(String::new, |only| {
        format!("\n  nightbench look {quoted} --only {only}   its first eye, in this terminal")
    });
    let on_bench = arguments.bench.as_ref().map_or_else(String::new, |bench| {
        format!("\n  nightbench run {quoted} --bench {}   on the bench", shell_word(bench))
    });
    terminal.out(&format!(
        "{shown}: a first plan. It runs as it stands; lines marked \"assumed\" are yours to correct.{look}\n  \
         nightbench preview {quoted}   what would run, and how long\n  \
         nightbench run {quoted}   on the simulated target{on_bench}"
    ));
    Ok(Exit::Pass)
}

/// One condition of the plan, by its fastest rate and first temperature.
fn first_look(text: &str) -> Option<String> {
    let names = Plan::read(text).ok()?.level_names();
    let rate = names[Factor::Rate as usize].last()?;
    let temperature = names[Factor::Temperature as usize].first()?;
    Some(format!("rate={rate},temperature={temperature}"))
}

fn read_module(path: &Path) -> Result<(String, SpdImage), Failure> {
    let bytes = read_spd(path).map_err(Failure::invalid)?;
    let image =
        SpdImage::read(&bytes).map_err(|error| Failure::invalid(format!("{}: {error}", path.display())))?;
    Ok((one_line(path), image))
}

/// The modules', if any; else what was asked for, or is answered at a terminal.
fn generation(arguments: &NewArguments, modules: &[(String, SpdImage)]) -> Result<Generation, Failure> {
    let named = arguments.generation;
    let Some((first, image)) = modules.first() else {
        let unknown = |word: &str| {
            Failure::invalid(format!("`{word}` is no generation; use {}", Generation::names(|_| true)))
        };
        return named.map_or_else(|| asked("Generation", "DDR4", by_name, unknown), Ok);
    };
    let wanted = named.unwrap_or(image.generation);
    let other = modules.iter().find(|(_, image)| image.generation != wanted);
    match other {
        None => Ok(wanted),
        Some((file, image)) => Err(Failure::invalid(format!(
            "{file} is a {} module, {} is {wanted}: a plan has one generation; write a plan for each",
            image.generation,
            if named.is_some() { "--generation".to_string() } else { first.clone() },
        ))),
    }
}

fn by_name(word: &str) -> Option<Generation> {
    Generation::ALL.iter().find(|(name, _)| name.eq_ignore_ascii_case(word)).map(|(_, known)| *known)
}

fn kind(word: &str) -> Option<ModuleKind> {
    ModuleKind::ALL.iter().find(|(name, _)| name.eq_ignore_ascii_case(word)).map(|(_, kind)| *kind)
}

fn unknown_kind(word: &str) -> Failure {
    let names: Vec<&str> = ModuleKind::ALL.iter().map(|(name, _)| *name).collect();
    Failure::invalid(format!("`{word}` is no module kind; use one of {}", names.join(", ")))
}

/// Asks at a terminal; elsewhere, and on an empty line, the usual answer counts.
fn asked<T>(
    question: &str,
    usual: &str,
    read: impl Fn(&str) -> Option<T>,
    unknown: impl Fn(&str) -> Failure,
) -> Result<T, Failure> {
    let mut line = String::new();
    if std::io::stdin().is_terminal() && std::io::stderr().is_terminal() {
        let mut err = std::io::stderr().lock();
        let _ = write!(err, "{question} [{usual}]: ").and_then(|()| err.flush());
        let _ = std::io::stdin().lock().read_line(&mut line);
    }
    let word = if line.trim().is_empty() { usual } else { line.trim() };
    read(word).ok_or_else(|| unknown(word))
}

/// A path as a comment can carry it.
fn one_line(path: &Path) -> String {
    path.display().to_string().replace(char::is_control, "?")
}

/// A path as a POSIX shell takes it as one word.
fn shell_word(path: &Path) -> String {
    let text = path.display().to_string();
    let plain = |c: char| c.is_ascii_alphanumeric() || "-_./=+:,@".contains(c);
    if !text.is_empty() && text.chars().all(plain) {
        text
    } else {
        format!("'{}'", text.replace('\'', r"'\''"))
    }
}
