//! A commit or a withdrawal that is killed, finds the disk full, or may not write: the registry stands at the old or the new state,
//! never between, and the next run works.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use manebit::registry::{Registry, Writer, stop_point, verify};

use crate::registry_ground::{Dice, Ground, State, copy_folder, state_of, text_of};

/// A registry with two batches and a third waiting in `n`.
fn ground() -> Ground {
    let ground = Ground::new();
    for part in ["a", "b"] {
        ground.part(part, 30);
        ground.ingest(part);
    }
    ground.part("n", 30);
    ground
}

const COMMIT: &[&str] = &["ingest", "n", "--into", "kept"];
const WITHDRAWAL: &[&str] = &["withdraw", "a-P0", "--from", "kept"];

/// The state before a change and the one after it, from a copy.
fn both_states(ground: &Ground, change: &[&str]) -> (State, State) {
    let before = ground.state();
    let files = ground.bytes();
    ground.good(change);
    let after = ground.state();
    ground.put_back(&files);
    assert_eq!(ground.state(), before);
    (before, after)
}

/// Whether the change holds; fails the test if the registry stands between.
fn landed(ground: &Ground, (before, after): &(State, State)) -> bool {
    let state = ground.state();
    assert!(state == *before || state == *after, "between: {state:?}");
    state == *after
}

#[test]
#[cfg_attr(not(debug_assertions), ignore = "builds for use have no stop points and take no day from outside")]
fn stopped_at_every_named_point() {
    let ground = ground();
    let files = ground.bytes();
    let (mut stops, mut kept_old, mut kept_new) = (0, 0, 0);
    // Few rows in memory, and many on the disk in parts.
    for (change, rows) in [(COMMIT, "1000"), (COMMIT, "20"), (WITHDRAWAL, "1000")] {
        let states = both_states(&ground, change);
        let mut met = 0;
        for point in stop_point::ALL {
            let often = point.starts_with("batch") || *point == stop_point::ONE_REMOVED;
            for time in 1..=if often { 2 } else { 1 } {
                let mut command = ground.command(change);
                command.env("MANEBIT_STOP_AT", format!("{point}:{time}")).env("MANEBIT_PART_ROWS", rows);
                let output = command.output().expect("it runs");
                let stopped = output.status.code().is_none();
                if stopped {
                    stops += 1;
                    met += u32::from(time == 1);
                    let new = landed(&ground, &states);
                    *(if new { &mut kept_new } else { &mut kept_old }) += 1;
                    let leftovers = verify(&ground.kept()).expect("whole").leftovers;
                    // The next run works, sweeps, and lands at the same place.
                    if !new {
                        ground.good(change);
                    } else {
                        drop(Writer::take(&ground.kept()).expect("the next writer"));
                    }
                    assert_eq!(ground.state(), states.1, "after {point}:{time}");
                    assert_eq!(verify(&ground.kept()).expect("whole").leftovers, 0, "{leftovers} were left at {point}");
                } else {
                    assert!(output.status.success(), "{point}: {}", text_of(&output));
                }
                ground.put_back(&files);
            }
        }
        // A commit removes no replaced files, and a withdrawal stages and parts no rows.
        assert_eq!(met as usize, stop_point::ALL.len() - 2, "every point is passed by {change:?}");
    }
    println!(
        "stopped at {} named points, {stops} stops: {kept_old} left the old state, {kept_new} the new, none between",
        stop_point::ALL.len()
    );
}

#[test]
#[cfg_attr(not(debug_assertions), ignore = "builds for use have no stop points and take no day from outside")]
fn a_start_that_was_stopped_can_be_started_again() {
    for point in stop_point::ALL.iter().filter(|point| point.contains("manifest")) {
        let ground = Ground::bare();
        let output =
            ground.command(&["init", "kept", "--without-key"]).env("MANEBIT_STOP_AT", point).output().expect("it runs");
        if output.status.code().is_none() && Registry::open(&ground.kept()).is_err() {
            ground.good(&["init", "kept", "--without-key"]);
        }
        ground.part("a", 2);
        ground.ingest("a");
        assert_eq!(ground.state().batch, 1, "{point}");
    }
}

/// Kills children of a change at random instants, for so many times.
fn killed_at_random(change: &[&str], times: u32, seed: u64) {
    let ground = ground();
    let files = ground.bytes();
    let states = both_states(&ground, change);
    let started = Instant::now();
    for _ in 0..3 {
        ground.good(change);
        ground.put_back(&files);
    }
    let mut span = (started.elapsed() / 3).as_micros() as usize;
    let mut dice = Dice::new(seed);
    let (mut kept_old, mut kept_new, mut ended, mut left) = (0, 0, 0, 0);
    while kept_old + kept_new < times {
        let mut child = ground.command(change).stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("it starts");
        // Most instants where the writing is; the span follows the machine's load.
        std::thread::sleep(Duration::from_micros((span / 3 + dice.below(span * 2 / 3)) as u64));
        let too_late = child.try_wait().expect("it is a child").is_some();
        let _ = child.kill();
        child.wait().expect("it ends");
        let verdict = verify(&ground.kept()).expect("whole");
        assert!(verdict.damages.is_empty(), "{:?}", verdict.damages);
        let state = state_of(&ground.read(None));
        assert!(state == states.0 || state == states.1, "between: {state:?}");
        let new = state == states.1;
        if too_late {
            assert!(new, "what has ended is kept");
            ended += 1;
            span = span * 17 / 20;
            ground.put_back(&files);
            continue;
        }
        span = span * 51 / 50;
        *(if new { &mut kept_new } else { &mut kept_old }) += 1;
        left += u32::from(verdict.leftovers > 0);
        if !new && kept_old % 4 == 0 {
            ground.good(change);
            assert_eq!(ground.state(), states.1);
        }
        drop(Writer::take(&ground.kept()).expect("the next writer"));
        if verdict.leftovers > 0 {
            assert_eq!(verify(&ground.kept()).expect("whole").leftovers, 0);
        }
        ground.put_back(&files);
    }
    println!(
        "{}: killed at {times} random instants: {kept_old} left the old state, {kept_new} the new, none between; {left} left files that were swept ({ended} more had ended before)",
        change[0]
    );
}

#[test]
fn commits_killed_at_random_instants() {
    killed_at_random(COMMIT, 110, 7);
}

#[test]
fn withdrawals_killed_at_random_instants() {
    killed_at_random(WITHDRAWAL, 70, 11);
}

/// A small file system in memory, taken off at the end.
struct Mounted<'a>(&'a Path);

impl<'a> Mounted<'a> {
    fn new(at: &'a Path, options: &str) -> Option<Self> {
        fs::create_dir_all(at).expect("a folder");
        let mounted = Command::new("mount").args(["-t", "tmpfs", "-o", options, "none"]).arg(at).output();
        mounted.is_ok_and(|output| output.status.success()).then_some(Self(at))
    }
}

impl Drop for Mounted<'_> {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(self.0).output();
    }
}

#[test]
fn a_full_disk_leaves_the_old_state() {
    let ground = ground();
    ground.part("big", 600);
    let small = ground.path().join("small");
    let Some(_mounted) = Mounted::new(&small, "size=512k,mode=700") else {
        println!("no file system may be mounted here; the limit on file sizes is tested instead");
        return;
    };
    let inside = small.join("kept");
    let (mut full, mut fitted) = (0, 0);
    for change in [["ingest", "big", "--into", "small/kept"], ["withdraw", "a-P0", "--from", "small/kept"]] {
        for (free, rows) in (0..=60).step_by(6).flat_map(|free| [(free, "100000"), (free, "500")]) {
            let _ = fs::remove_dir_all(&inside);
            let ballast = small.join("ballast");
            let _ = fs::remove_file(&ballast);
            copy_folder(&ground.kept(), &inside);
            let before = Registry::open(&inside).expect("it").read(None).expect("it reads").fingerprint;
            fill(&ballast, free * 1024);
            let output = ground.command(&change).env("MANEBIT_PART_ROWS", rows).output().expect("it runs");
            let now = Registry::open(&inside).expect("it opens").read(None).expect("it reads").fingerprint;
            assert!(verify(&inside).expect("whole").damages.is_empty());
            if output.status.success() {
                fitted += 1;
                assert_ne!(now, before);
            } else {
                full += 1;
                let text = text_of(&output);
                assert!(output.status.code() == Some(3) && text.contains("can't be written"), "{text}");
                assert_eq!(now, before, "{text}");
                fs::remove_file(&ballast).expect("removed");
                assert!(ground.run(&change).status.success(), "with room again it works");
                assert_eq!(verify(&inside).expect("whole").leftovers, 0);
            }
        }
    }
    assert!(full > 3 && fitted > 2, "{full} full, {fitted} fitted");
    println!("full disk: {full} changes refused at the old state, {fitted} fitted");
}

/// Fills the file system but for so many bytes.
fn fill(ballast: &Path, free: usize) {
    use std::io::Write;
    let mut file = fs::File::create(ballast).expect("a file");
    let mut written = 0;
    while file.write_all(&[0; 1024]).is_ok() {
        written += 1024;
    }
    let _ = file.set_len(written - (free as u64).min(written));
}

#[cfg(unix)]
#[test]
fn a_limit_on_file_sizes_leaves_the_old_state() {
    let ground = ground();
    ground.part("n", 200);
    let files = ground.bytes();
    let states = both_states(&ground, COMMIT);
    let (mut refused, mut fitted) = (0, 0);
    for blocks in 0..30 {
        let script =
            format!("trap '' XFSZ; ulimit -f {blocks}; exec {} ingest n --into kept", env!("CARGO_BIN_EXE_manebit"));
        let output = Command::new("sh").args(["-c", &script]).current_dir(ground.path()).output().expect("it runs");
        let new = landed(&ground, &states);
        assert_eq!(new, output.status.success(), "{}", text_of(&output));
        if new {
            fitted += 1;
        } else {
            refused += 1;
            assert!(
                output.status.code() == Some(3) && text_of(&output).contains("can't be written"),
                "{}",
                text_of(&output)
            );
        }
        ground.put_back(&files);
    }
    assert!(refused > 2 && fitted > 2, "{refused} refused, {fitted} fitted");
    println!("file sizes limited: {refused} commits refused at the old state, {fitted} fitted");
}

#[cfg(unix)]
#[test]
fn a_read_only_registry_is_read_and_not_written() {
    use std::os::unix::fs::PermissionsExt;
    let ground = ground();
    let before = ground.bytes();
    let set = |mode: u32| {
        for folder in ["", "batches", "manifests"] {
            fs::set_permissions(ground.kept().join(folder), fs::Permissions::from_mode(mode)).expect("set");
        }
    };
    set(0o500);
    let probe = ground.kept().join("probe");
    let rights_bind = fs::write(&probe, "").is_err();
    let _ = fs::remove_file(&probe);
    if rights_bind {
        refused(&ground.command(COMMIT));
        println!("read-only folder, as its owner: refused, nothing changed");
    } else {
        // This user may write anywhere, so another one tries.
        set(0o700);
        let program = ground.path().join("manebit");
        fs::hard_link(env!("CARGO_BIN_EXE_manebit"), &program)
            .or_else(|_| fs::copy(env!("CARGO_BIN_EXE_manebit"), &program).map(|_| ()))
            .expect("the program");
        // Never the program: the link shares its owner with the one that was built.
        let given = Command::new("chown").args(["-R", "65534:65534", "kept", "n"]).current_dir(ground.path()).status();
        fs::set_permissions(ground.path(), fs::Permissions::from_mode(0o755)).expect("set");
        set(0o500);
        let mut as_another = Command::new("setpriv");
        as_another.args(["--reuid=65534", "--regid=65534", "--clear-groups"]).arg(&program).args(COMMIT);
        as_another.current_dir(ground.path());
        let mut history = Command::new("setpriv");
        history.args(["--reuid=65534", "--regid=65534", "--clear-groups"]).arg(&program).args(["verify", "kept"]);
        let reads = history.current_dir(ground.path()).output();
        if given.is_ok_and(|status| status.success()) && reads.as_ref().is_ok_and(|output| output.status.success()) {
            refused(&as_another);
            println!("read-only folder, as another user: verified, a commit refused, nothing changed");
        } else {
            println!("skipped: no other user can be taken on here: {reads:?}");
        }
    }
    set(0o700);
    assert_eq!(ground.bytes(), before);

    fn refused(command: &Command) {
        let mut again = Command::new(command.get_program());
        again.args(command.get_args()).current_dir(command.get_current_dir().expect("a folder"));
        let output = again.output().expect("it runs");
        let text = text_of(&output);
        assert!(output.status.code() == Some(3) && text.contains("can't be written"), "{text}");
    }
}

#[test]
fn a_file_system_that_became_read_only_is_read_and_not_written() {
    let ground = ground();
    let small = ground.path().join("small");
    let Some(_mounted) = Mounted::new(&small, "size=4m,mode=700") else {
        println!("skipped: no file system may be mounted here");
        return;
    };
    copy_folder(&ground.kept(), &small.join("kept"));
    let remounted = Command::new("mount").args(["-o", "remount,ro"]).arg(&small).status();
    if !remounted.is_ok_and(|status| status.success()) {
        println!("skipped: no file system may be made read-only here");
        return;
    }
    ground.good(&["verify", "small/kept"]);
    ground.good(&["history", "small/kept"]);
    for change in [["ingest", "n", "--into", "small/kept"], ["withdraw", "a-P0", "--from", "small/kept"]] {
        let output = ground.run(&change);
        let text = text_of(&output);
        assert!(output.status.code() == Some(3) && text.contains("can't be written"), "{text}");
    }
    println!("read-only file system: read and verified, two changes refused");
}

#[test]
#[cfg_attr(not(debug_assertions), ignore = "builds for use have no stop points and take no day from outside")]
fn a_clock_that_was_set_back_changes_no_order() {
    let ground = Ground::new();
    let mut read = BTreeMap::new();
    for (number, (part, day)) in
        (1..).zip([("a", "2024-05-01"), ("b", "2017-01-01"), ("c", "2030-12-31"), ("d", "2017-01-01")])
    {
        ground.part(part, 4);
        let output =
            ground.command(&["ingest", part, "--into", "kept"]).env("MANEBIT_TODAY", day).output().expect("it runs");
        assert!(output.status.success(), "{}", text_of(&output));
        let state = ground.state();
        assert_eq!((state.batch, state.placements), (number, 4 * number as usize));
        read.insert(number, state.fingerprint);
    }
    for (batch, fingerprint) in read {
        assert_eq!(ground.read(Some(batch)).fingerprint, fingerprint);
    }
    let history = ground.good(&["history", "kept"]);
    assert!(history.contains("Batch 2, 2017-01-01: accepted"), "{history}");
    println!("4 batches with the clock set back twice: read in the order in which they were accepted");
}
