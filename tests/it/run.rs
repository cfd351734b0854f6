//! Runs the program on record files written for a test.

use std::fs;
use std::path::Path;
use std::process::Output;

use manebit::result::Review;

/// A folder of record files, made for one test.
pub struct Records {
    folder: tempfile::TempDir,
}

/// Columns of placements that the tests fill.
pub const PLACEMENTS: &str = "restoration_id,patient_id,tooth,surface,placed_on,operator,etch_strategy,adhesive_class\n";
/// Columns of visits that the tests fill.
pub const VISITS: &str = "restoration_id,visited_on,examiner,scheme,retention,colour,outcome,outcome_on,reason\n";

impl Records {
    /// Writes files into a new folder named `records`.
    pub fn new(files: &[(&str, &[u8])]) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        fs::create_dir(folder.path().join("records")).expect("a folder");
        for (name, bytes) in files {
            fs::write(folder.path().join("records").join(name), bytes).expect("a file");
        }
        Self { folder }
    }

    /// Where things are.
    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Runs the program in the folder above the records.
    pub fn run(&self, arguments: &[&str]) -> Output {
        assert_cmd::Command::new(env!("CARGO_BIN_EXE_manebit"))
            .args(arguments)
            .current_dir(self.path())
            .output()
            .expect("it runs")
    }

    /// Reviews the records; fails the test if the program does.
    pub fn review(&self, more: &[&str]) -> Review {
        let mut arguments = vec!["review", "records", "--out", "out"];
        arguments.extend(more);
        let output = self.run(&arguments);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let text = fs::read_to_string(self.path().join("out/results.json")).expect("results");
        serde_json::from_str(&text).expect("results read")
    }
}

/// What the program said, with the folder's own path and the day of the run masked.
pub fn said(records: &Records, output: &Output) -> String {
    let text = format!(
        "exit {}\n--- stdout\n{}--- stderr\n{}",
        output.status.code().unwrap_or(-1),
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    let text = text.replace(&records.path().display().to_string(), "[folder]");
    let parts: Vec<&str> = text.split("today is ").collect();
    parts
        .iter()
        .enumerate()
        .map(|(place, part)| if place == 0 { (*part).to_owned() } else { format!("today is [day]{}", &part[10..]) })
        .collect()
}
