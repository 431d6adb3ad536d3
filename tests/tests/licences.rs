//! Licences of everything that is linked in, from `cargo metadata`: permissive ones only. `deny.toml` says the same to
//! `cargo deny`, which need not be installed.

use std::process::Command;

/// The licences that `deny.toml` allows.
fn allowed() -> Vec<String> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../deny.toml");
    let text = std::fs::read_to_string(path).expect("deny.toml");
    let table: toml::Table = text.parse().expect("TOML");
    table["licenses"]["allow"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|licence| licence.as_str().expect("a name").to_string())
        .collect()
}

/// Is an SPDX expression met by allowed licences? `AND` binds closer than `OR`; `/` is an older word for `OR`.
fn is_met(expression: &str, allowed: &[String]) -> bool {
    let plain = expression.replace('/', " OR ").replace(['(', ')'], " ");
    if expression.contains('(') {
        // Bracketed: every alternative named anywhere must be allowed, which is stricter than needed.
        return plain
            .split(" OR ")
            .flat_map(|part| part.split(" AND "))
            .all(|name| is_allowed(name, allowed))
            || is_met(plain.trim(), allowed) && !expression.contains(" AND ");
    }
    plain.split(" OR ").any(|part| part.split(" AND ").all(|name| is_allowed(name, allowed)))
}

fn is_allowed(name: &str, allowed: &[String]) -> bool {
    allowed.iter().any(|known| known == name.trim())
}

#[test]
fn every_dependency_has_a_permissive_licence() {
    let output = Command::new(env!("CARGO"))
        .args([
            "metadata",
            "--format-version",
            "1",
            "--offline",
            "--locked",
            "--filter-platform",
            "x86_64-unknown-linux-gnu",
        ])
        .current_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/.."))
        .output()
        .expect("cargo");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let allowed = allowed();
    let packages = metadata["packages"].as_array().expect("packages");
    assert!(packages.len() > 20, "{} packages", packages.len());
    let mut wrong = Vec::new();
    for package in packages {
        let licence = package["license"].as_str().unwrap_or("none stated");
        if !is_met(licence, &allowed) {
            wrong.push(format!("{} {}: {licence}", package["name"], package["version"]));
        }
    }
    assert!(wrong.is_empty(), "licences that deny.toml does not allow:\n{}", wrong.join("\n"));
}

#[test]
fn expressions_are_weighed() {
    let allowed: Vec<String> = ["MIT", "Apache-2.0", "Unicode-3.0"].map(String::from).to_vec();
    for (expression, met) in [
        ("MIT", true),
        ("MIT OR GPL-3.0", true),
        ("GPL-3.0", false),
        ("MIT AND GPL-3.0", false),
        ("MIT/Apache-2.0", true),
        ("(MIT OR Apache-2.0) AND Unicode-3.0", true),
        ("(MIT OR Apache-2.0) AND GPL-3.0", false),
        ("none stated", false),
    ] {
        assert_eq!(is_met(expression, &allowed), met, "{expression}");
    }
}
