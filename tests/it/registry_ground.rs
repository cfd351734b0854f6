//! A registry made for one test, with record files to keep in it.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use manebit::registry::{Kept, Registry, verify};
use polars::prelude::DataFrame;

/// Columns of placements that the tests fill.
pub const PLACEMENTS: &str = "restoration_id,patient_id,tooth,surface,placed_on,operator,etch_strategy,lesion_depth_mm\n";
/// Columns of visits that the tests fill.
pub const VISITS: &str = "restoration_id,visited_on,examiner,scheme,retention,colour\n";

/// A folder with a registry `kept` and folders of records.
pub struct Ground {
    folder: tempfile::TempDir,
}

/// What a registry holds, in short.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct State {
    /// Last batch.
    pub batch: u32,
    /// Placements that stand.
    pub placements: usize,
    /// Visits that stand.
    pub visits: usize,
    /// Digest over the files.
    pub fingerprint: String,
}

impl Ground {
    /// A folder without a registry.
    pub fn bare() -> Self {
        Self { folder: tempfile::tempdir().expect("a folder") }
    }

    /// A registry without key.
    pub fn new() -> Self {
        let ground = Self::bare();
        ground.good(&["init", "kept", "--without-key"]);
        ground
    }

    /// Where everything is.
    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    /// The registry's folder.
    pub fn kept(&self) -> PathBuf {
        self.path().join("kept")
    }

    /// Writes record files into a folder.
    pub fn files(&self, folder: &str, files: &[(&str, String)]) {
        let folder = self.path().join(folder);
        fs::create_dir_all(&folder).expect("a folder");
        for (name, text) in files {
            fs::write(folder.join(name), text).expect("a file");
        }
    }

    /// Placements `part-0`, `part-1`, … of patients `part-P0`, …, each with two visits.
    pub fn part(&self, part: &str, count: usize) {
        let (mut placements, mut visits) = (PLACEMENTS.to_owned(), VISITS.to_owned());
        for n in 0..count {
            let patient = n / 2;
            let tooth = 11 + n % 2;
            placements +=
                &format!("{part}-{n},{part}-P{patient},{tooth},facial,2015-03-0{},op,self_etch,1.{}\n", 1 + n % 9, n % 10);
            visits += &format!("{part}-{n},2015-09-10,ex,usphs_3,A,A\n{part}-{n},2016-03-11,ex,usphs_3,A,B\n");
        }
        self.files(part, &[("placements.csv", placements), ("visits.csv", visits)]);
    }

    /// The program, to be started in this folder.
    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_manebit"));
        command.args(arguments).current_dir(self.path()).env("POLARS_MAX_THREADS", "1");
        command
    }

    /// Runs the program.
    pub fn run(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().expect("it runs")
    }

    /// Runs the program and gives what it printed; fails the test if it does.
    pub fn good(&self, arguments: &[&str]) -> String {
        let output = self.run(arguments);
        assert!(output.status.success(), "{arguments:?}: {}", text_of(&output));
        String::from_utf8(output.stdout).expect("text")
    }

    /// Keeps a folder of records.
    pub fn ingest(&self, folder: &str) -> String {
        self.good(&["ingest", folder, "--into", "kept"])
    }

    /// Reads the registry as of a batch.
    pub fn read(&self, as_of: Option<u32>) -> Kept {
        Registry::open(&self.kept()).and_then(|registry| registry.read(as_of)).unwrap_or_else(|error| panic!("{error}"))
    }

    /// What the registry holds; fails the test unless it is whole.
    pub fn state(&self) -> State {
        let verdict = verify(&self.kept()).unwrap_or_else(|error| panic!("{error}"));
        assert!(verdict.damages.is_empty(), "{:?}", verdict.damages);
        state_of(&self.read(None))
    }

    /// All files of the registry with their bytes.
    pub fn bytes(&self) -> BTreeMap<PathBuf, Vec<u8>> {
        files_below(&self.kept()).into_iter().map(|path| (path.clone(), fs::read(path).expect("a file"))).collect()
    }

    /// Puts the registry back to these files.
    pub fn put_back(&self, files: &BTreeMap<PathBuf, Vec<u8>>) {
        for path in files_below(&self.kept()) {
            if !files.contains_key(&path) {
                fs::remove_file(path).expect("removed");
            }
        }
        for (path, bytes) in files {
            fs::write(path, bytes).expect("written");
        }
    }
}

/// What a reading holds, in short.
pub fn state_of(kept: &Kept) -> State {
    State {
        batch: kept.batch,
        placements: kept.placements.0.len(),
        visits: kept.visits.0.len(),
        fingerprint: kept.fingerprint.clone(),
    }
}

/// All files below a folder, sorted.
pub fn files_below(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).expect("a folder").flatten() {
        if entry.path().is_dir() { found.extend(files_below(&entry.path())) } else { found.push(entry.path()) }
    }
    found.sort();
    found
}

/// All that a run said.
pub fn text_of(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// The rows of a table as text, without the file's place, sorted.
pub fn rows_of(frame: &DataFrame) -> Vec<String> {
    let names: Vec<String> = frame.get_column_names().iter().map(|name| name.to_string()).collect();
    let mut rows: Vec<String> = (0..frame.height())
        .map(|row| {
            let cells = names.iter().filter(|name| *name != "from_file");
            let cell = |name: &String| format!("{}|", frame.column(name).expect("it").get(row).expect("a row"));
            // How the table engine holds a text is no part of it.
            cells.map(|name| cell(name).replace("StringOwned(", "String(")).collect()
        })
        .collect();
    rows.sort();
    rows
}

/// Copies a folder with all that is in it.
pub fn copy_folder(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("a folder");
    for entry in fs::read_dir(from).expect("a folder").flatten() {
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy_folder(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).expect("copied");
        }
    }
}

/// Random numbers for delays and places; always the same (xorshift, Marsaglia 2003).
pub struct Dice(u64);

impl Dice {
    /// Dice that fall the same way for the same seed.
    pub const fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// A number below a bound.
    pub fn below(&mut self, bound: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % bound as u64) as usize
    }
}
