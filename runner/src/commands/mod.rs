//! One file a command; each returns its exit code.

mod bench;
mod channel;
mod check;
mod compare;
mod export;
mod extra_jobs;
mod fit;
mod gonogo;
mod look;
mod manual;
mod measure;
mod merge;
mod module;
mod new;
mod preview;
mod preview_finish;
mod preview_folder;
mod preview_hours;
mod preview_predicted;
mod report;
mod run;
mod run_summary;
mod serve;
mod status;
mod study;
mod verify;
mod why;

use crate::cli::{Cli, Command, GonogoCommand, Json};
use crate::console::exit::Exit;
use crate::console::terminal::Terminal;

/// Is one JSON object expected on standard output, whatever comes of it?
fn asks_for_json(command: &Command) -> bool {
    match command {
        Command::Preview { json, .. }
        | Command::Status { json, .. }
        | Command::Study { json, .. }
        | Command::Merge { json, .. }
        | Command::Module { json, .. } => json.json,
        Command::Channel(arguments) => arguments.json.json,
        Command::Run(arguments) => arguments.json.json,
        Command::Report(arguments) => arguments.json.json,
        Command::Why(arguments) => arguments.json.json,
        Command::Fit(arguments) => arguments.json.json,
        Command::Compare(arguments) => arguments.json.json,
        Command::Gonogo(GonogoCommand::Derive(arguments)) => arguments.json.json,
        Command::Gonogo(GonogoCommand::Run(arguments)) => arguments.json.json,
        Command::Gonogo(GonogoCommand::Lot(arguments)) => arguments.json.json,
        _ => false,
    }
}

/// Does what the command line asks.
pub fn dispatch(cli: Cli) -> Exit {
    let terminal = Terminal::detect(cli.no_color);
    let machine = asks_for_json(&cli.command);
    let outcome = match cli.command {
        Command::New(arguments) => new::new(&terminal, &arguments),
        Command::Check { plan, bench } => check::check(&terminal, &plan, bench.as_deref()),
        Command::Preview {
            plan,
            bench: Some(file),
            only,
            page: None,
            hours: None,
            into: None,
            json: Json { json: false },
            ..
        } => bench::preview(&terminal, &plan, &file, &only.only),
        Command::Bench(command) => bench::bench(&terminal, &command),
        // Hours and mountings are those of the plan; the bench file is only checked for mistakes.
        Command::Preview { plan, bench, page, against, hours, into, nights, only, json } => {
            bench.map_or(Ok(()), |file| bench::sound(&terminal, &file)).and_then(|()| {
                let asked = preview::Asked {
                    page: page.as_deref(),
                    against: against.as_deref(),
                    hours,
                    into: into.as_deref(),
                    nights: &nights,
                };
                preview::preview(&terminal, &plan, asked, &only.only, json.json)
            })
        }
        Command::Module { file, json } => module::module(&terminal, &file, json.json),
        Command::Gonogo(command) => gonogo::gonogo(&terminal, &command),
        Command::Channel(arguments) => channel::channel(&terminal, &arguments),
        Command::Run(arguments) => run::run(&terminal, &arguments),
        Command::Completions { shell } => manual::completions(&terminal, shell),
        Command::Manual(arguments) => manual::manual(&terminal, &arguments.dir),
        Command::Look(arguments) => look::look(&terminal, &arguments),
        Command::Serve(arguments) => serve::serve(&terminal, &arguments),
        Command::Status { dir, json } => status::status(&terminal, &dir, json.json),
        Command::Report(arguments) => report::report(&terminal, &arguments),
        Command::Study { dir, afresh, json } => study::study(&terminal, &dir, afresh.cache(), json.json),
        Command::Compare(arguments) => compare::compare(&terminal, &arguments),
        Command::Fit(arguments) => fit::fit(&terminal, &arguments),
        Command::Why(arguments) => why::why(&terminal, &arguments),
        Command::Merge { out, parts, json } => merge::merge(&terminal, &out, &parts, json.json),
        Command::Export { dir, format, out, only, afresh } => {
            export::export(&terminal, &dir, format, out.as_deref(), &only.only, afresh.cache())
        }
    };
    let exit = outcome.unwrap_or_else(|failure| {
        terminal.note_coloured(&failure.words);
        if machine {
            let refused = serde_json::json!({ "refused": failure.words, "exit_code": failure.exit.code() });
            terminal.out(&refused.to_string());
        }
        failure.exit
    });
    match (exit, terminal.unwritten()) {
        (Exit::Pass | Exit::NotAllPass | Exit::Incomplete, Some(fault)) => {
            terminal.note(&format!("standard output: {fault}"));
            Exit::Store
        }
        _ => exit,
    }
}
