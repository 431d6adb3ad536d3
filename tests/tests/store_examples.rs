//! The examples in the store's description run on a real store: three SQL queries and the pandas script.

use crate::support::{Folder, SMALL, missing, nightbench};
use std::path::Path;
use std::process::Command;

/// The blocks of one language in a Markdown text.
fn blocks(text: &str, language: &str) -> Vec<String> {
    text.split(&format!("```{language}\n"))
        .skip(1)
        .filter_map(|part| part.split("```").next())
        .map(String::from)
        .collect()
}

/// Is there a Python that can import a module?
fn imports(module: &str) -> bool {
    let probe = Command::new("python3").args(["-c", &format!("import {module}")]).output();
    let there = probe.is_ok_and(|output| output.status.success());
    if !there {
        missing(&format!("a Python with {module}"));
    }
    there
}

fn run(folder: &Path, code: &str) -> String {
    let output =
        Command::new("python3").current_dir(folder).args(["-c", code]).output().expect("Python starts");
    assert!(output.status.success(), "{}\n{code}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).into_owned()
}

#[test]
fn the_queries_and_the_script_of_the_description_run() {
    let text = std::fs::read_to_string(
        Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the workspace").join("runner/STORE.md"),
    )
    .expect("the description");
    let queries = blocks(&text, "sql");
    assert!(queries.len() >= 3, "three queries are described");
    let scripts: Vec<String> =
        blocks(&text, "python").into_iter().filter(|code| code.contains("import pandas")).collect();
    assert_eq!(scripts.len(), 1);
    if !imports("sqlite3") {
        return;
    }
    let folder = Folder::new();
    let plan = folder.file("plan.toml", SMALL);
    let measured = nightbench(folder.path(), &["run", plan.to_str().unwrap(), "--into", "d"]);
    assert!([0, 1].contains(&measured.code), "{}", measured.err);
    let store = folder.path().join("d");
    for (index, query) in queries.iter().enumerate() {
        let code = format!(
            "import sqlite3\nrows = sqlite3.connect('file:results.sqlite?mode=ro', uri=True).execute('''{query}''')\
             .fetchall()\nprint(len(rows), rows[:1])"
        );
        let out = run(&store, &code);
        // Failed trainings and what an agent said: this run may have none of the first and has none of the second.
        assert!(
            [1, 3].contains(&index) || !out.starts_with("0 "),
            "query {} found nothing:\n{query}",
            index + 1
        );
    }
    if !imports("pandas") {
        return;
    }
    let out = run(&store, &scripts[0]);
    assert!(out.contains("count") && out.contains("mean"), "{out}");
}
