//! The code keeps its own rules of who may import whom, and the dependency tree holds no network client.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// Folder or file under `src` → what it may import. Leaves are free for all: quantity, finding, wording, threads.
const MAY_IMPORT: &[(&str, &[&str])] = &[
    ("quantity", &[]),
    ("finding", &[]),
    ("finding_page", &["finding"]),
    ("wording", &["quantity"]),
    ("threads", &[]),
    ("stats", &["quantity", "threads"]),
    ("record", &["quantity", "finding", "wording"]),
    ("protocol", &["quantity", "finding", "wording", "record", "stats"]),
    ("table", &["record", "threads"]),
    ("intake", &["quantity", "finding", "wording", "record", "table", "threads"]),
    ("registry", &["quantity", "finding", "wording", "record", "table", "threads"]),
    ("result", &["quantity", "record", "protocol", "stats"]),
    ("cohort", &["quantity", "finding", "wording", "record", "protocol", "table", "stats", "result", "intake", "threads"]),
    ("simulate", &["quantity", "record", "protocol"]),
    ("planning", &["estimate", "quantity", "simulate", "stats", "wording"]),
    ("analysis", &["quantity", "finding", "wording", "record", "protocol", "table", "stats", "cohort", "result", "threads"]),
    (
        "comparison",
        &[
            "quantity", "finding", "wording", "record", "protocol", "table", "stats", "cohort", "result", "analysis",
            "threads",
        ],
    ),
    ("figure", &["quantity", "wording", "record", "result"]),
    (
        "report",
        &[
            "quantity",
            "finding",
            "finding_page",
            "wording",
            "record",
            "protocol",
            "stats",
            "result",
            "figure",
            "threads",
            "watching",
        ],
    ),
    ("template", &["record", "wording"]),
    ("export", &["quantity", "record", "table", "wording", "threads"]),
    ("estimate", &["quantity", "finding", "wording", "intake", "stats"]),
    ("scores", &["quantity", "wording", "stats", "estimate"]),
    ("watching", &["estimate", "quantity", "stats", "wording"]),
    ("schema", &["estimate", "planning", "record", "registry", "report", "result", "scores", "watching"]),
];

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).expect("a folder").flatten() {
        let path = entry.path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
}

/// A file of tests that nobody names is compiled by nobody and tests nothing.
#[test]
fn every_file_of_tests_is_run() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it");
    let main = fs::read_to_string(folder.join("main.rs")).expect("the list of modules");
    let mut checked = 0;
    for entry in fs::read_dir(&folder).expect("the tests").flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let Some(module) = name.strip_suffix(".rs").filter(|module| *module != "main") else { continue };
        assert!(main.lines().any(|line| line == format!("mod {module};")), "tests/it/{name} is not named in main.rs");
        checked += 1;
    }
    assert!(checked > 40, "only {checked} files of tests found");
}

#[test]
fn imports_go_one_way() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let allowed: BTreeMap<&str, &[&str]> = MAY_IMPORT.iter().copied().collect();
    let mut files = Vec::new();
    sources(&root, &mut files);
    let mut checked = 0;
    for file in files {
        let inside = file.strip_prefix(&root).expect("under src");
        let part = inside.iter().next().expect("a part").to_string_lossy().trim_end_matches(".rs").to_owned();
        let Some(allowed) = allowed.get(part.as_str()) else {
            assert!(["lib", "main", "command"].contains(&part.as_str()), "{part} has no rule");
            continue;
        };
        let text = fs::read_to_string(&file).expect("a source");
        for line in text.lines().filter(|line| !line.trim_start().starts_with("//")) {
            for found in line.split("crate::").skip(1).filter(|_| !line.contains("$crate::")) {
                let module: String = found.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
                assert!(
                    module == part || allowed.contains(&module.as_str()),
                    "{} may not import {module}: {line}",
                    inside.display()
                );
                checked += 1;
            }
        }
    }
    assert!(checked > 50, "only {checked} imports were seen");
}

#[test]
fn no_network_client_is_in_the_tree() {
    let lock = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("Cargo.lock")).expect("Cargo.lock");
    assert!(lock.contains("name = \"polars-core\""), "the lock file is read");
    let tree = std::process::Command::new(env!("CARGO"))
        .args(["tree", "--edges", "normal", "--prefix", "none", "--offline", "--locked"])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("cargo tree runs");
    let tree = String::from_utf8(tree.stdout).expect("text");
    assert!(tree.contains("polars-core "), "the tree is read: {tree}");
    for client in ["reqwest", "hyper", "rustls", "ring", "object_store", "curl", "ureq", "native-tls", "openssl"] {
        assert!(!tree.lines().any(|line| line.starts_with(&format!("{client} "))), "{client} is in the tree");
    }
}
