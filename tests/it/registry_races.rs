//! Many at once: writers take turns, readers see whole states only.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use manebit::registry::Registry;

use crate::registry_ground::{Ground, State, state_of, text_of};

/// Placements, visits, and the digest over the files of a state that a reader met.
type Met = (usize, usize, String);

/// Runs until the registry is free; how often it was not.
fn until_free(ground: &Ground, arguments: &[&str]) -> u64 {
    for refused in 0..10_000 {
        let output = ground.run(arguments);
        if output.status.success() {
            return refused;
        }
        let text = text_of(&output);
        assert!(output.status.code() == Some(3) && text.contains("Another run is writing"), "{text}");
    }
    panic!("it is never free");
}

#[test]
fn racing_writers_leave_whole_batches() {
    let ground = Ground::new();
    for writer in 0..12 {
        ground.part(&format!("w{writer}"), 10 + writer);
    }
    let refused = AtomicU64::new(0);
    std::thread::scope(|scope| {
        for writer in 0..12 {
            let (ground, refused) = (&ground, &refused);
            scope.spawn(move || {
                refused
                    .fetch_add(until_free(ground, &["ingest", &format!("w{writer}"), "--into", "kept"]), Ordering::Relaxed);
            });
        }
    });
    let state = ground.state();
    let placements: usize = (0..12).map(|writer| 10 + writer).sum();
    assert_eq!((state.batch, state.placements, state.visits), (12, placements, 2 * placements));
    // The same files by all at once: one wins, the others find everything kept.
    ground.part("same", 8);
    std::thread::scope(|scope| {
        for _ in 0..8 {
            scope.spawn(|| until_free(&ground, &["ingest", "same", "--into", "kept"]));
        }
    });
    assert_eq!((ground.state().batch, ground.state().placements), (13, placements + 8));
    println!(
        "12 writers at once: 12 whole batches, {} refused tries; 8 with the same files: one batch",
        refused.into_inner()
    );
}

#[test]
fn readers_see_whole_states_while_others_write_and_withdraw() {
    let ground = Ground::new();
    ground.part("a", 60);
    ground.ingest("a");
    let (done, reads) = (AtomicBool::new(false), AtomicU64::new(0));
    let seen: Mutex<BTreeMap<u32, BTreeSet<Met>>> = Mutex::default();
    let mut states: Vec<State> = vec![ground.state()];
    std::thread::scope(|scope| {
        for _ in 0..3 {
            scope.spawn(|| {
                while !done.load(Ordering::Relaxed) {
                    let kept = Registry::open(&ground.kept()).and_then(|registry| registry.read(None));
                    let state = state_of(&kept.unwrap_or_else(|error| panic!("{error}")));
                    let mut seen = seen.lock().expect("no reader failed");
                    seen.entry(state.batch).or_default().insert((state.placements, state.visits, state.fingerprint));
                    reads.fetch_add(1, Ordering::Relaxed);
                }
            });
        }
        for round in 0..10 {
            let part = format!("r{round}");
            ground.part(&part, 6);
            ground.ingest(&part);
            states.push(state_of(&ground.read(None)));
            ground.good(&["withdraw", &format!("a-P{round}"), "--from", "kept"]);
            states.push(state_of(&ground.read(None)));
        }
        done.store(true, Ordering::Relaxed);
    });
    let seen = seen.into_inner().expect("no reader failed");
    for (batch, found) in &seen {
        let right = states.iter().find(|state| state.batch == *batch).expect("a state that was written");
        let right = BTreeSet::from([(right.placements, right.visits, right.fingerprint.clone())]);
        assert_eq!(*found, right, "batch {batch}");
    }
    let last = ground.state();
    assert_eq!((last.batch, last.placements), (21, 60 + 60 - 20));
    println!("{} readings during 10 commits and 10 withdrawals, {} states met, each whole", reads.into_inner(), seen.len());
}
