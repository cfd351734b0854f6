//! What people read around a registry, held by snapshots.

use crate::registry_ground::{Ground, PLACEMENTS, VISITS, text_of};

/// What runs said, one after the other, with digests and the day masked.
fn said(ground: &Ground, runs: &[&[&str]]) -> String {
    let mut text = String::new();
    for arguments in runs {
        let output = ground.command(arguments).env("MANEBIT_TODAY", "2024-05-01").output().expect("it runs");
        let exit = output.status.code().unwrap_or(-1);
        text += &format!("$ manebit {}\n{}exit {exit}\n\n", arguments.join(" "), text_of(&output));
    }
    assert!(!text.contains("panicked") && !text.contains("fault of the program"), "{text}");
    let text = text.replace(&ground.path().display().to_string(), "[folder]");
    let mut masked = String::new();
    for word in text.split_inclusive([' ', '\n', '/', '.', '…']) {
        let hex = word.trim_end_matches([' ', '\n', '/', '.', '…']);
        let digest = [12, 64].contains(&hex.len()) && hex.bytes().all(|b| b.is_ascii_hexdigit());
        masked += &if digest { word.replace(hex, "[digest]") } else { word.to_owned() };
    }
    masked
}

macro_rules! says {
    ($($name:ident: $text:expr;)+) => { $(
        #[test]
        #[cfg_attr(not(debug_assertions), ignore = "builds for use have no stop points and take no day from outside")]
        fn $name() {
            insta::assert_snapshot!(stringify!($name), $text);
        }
    )+ };
}

fn two_batches() -> Ground {
    let ground = Ground::new();
    ground.part("a", 4);
    ground.part("b", 2);
    ground.files(
        "other",
        &[
            ("placements.csv", format!("{PLACEMENTS}a-1,a-P0,12,facial,2015-03-02,op,etch_and_rinse,1.1\n")),
            ("visits.csv", format!("{VISITS}a-1,2015-09-10,ex,usphs_3,A,C\na-9,2015-09-10,ex,usphs_3,A,C\n")),
        ],
    );
    ground
}

says! {
    registry_day_by_day: said(&two_batches(), &[
        &["ingest", "a", "--into", "kept"],
        &["ingest", "a", "--into", "kept"],
        &["ingest", "other", "--into", "kept"],
        &["ingest", "b", "--into", "kept"],
        &["withdraw", "b-P0", "--from", "kept"],
        &["withdraw", "b-P0", "--from", "kept"],
        &["history", "kept"],
    ]);
    registry_of_two_that_number_alike: {
        let ground = Ground::new();
        let one = |name: &str, placement: &str| {
            let placements = format!("{PLACEMENTS}{placement}\n2,5,24,facial,2015-03-02,op,etch_and_rinse,1.1\n");
            ground.files(name, &[("placements.csv", placements), ("visits.csv", format!("{VISITS}2,2015-09-10,ex,usphs_3,A,A\n"))]);
        };
        one("north", "1,4,12,facial,2015-03-02,op,etch_and_rinse,1.1");
        one("south", "1,9,13,facial,2015-03-02,op,self_etch,1.1");
        one("tooth", "1,4,13,facial,2015-03-02,op,etch_and_rinse,1.1");
        one("day", "1,4,13,facial,2015-03-05,op,etch_and_rinse,1.1");
        said(&ground, &[
            &["ingest", "north", "--into", "kept"],
            &["ingest", "south", "--into", "kept"],
            &["ingest", "south", "--into", "kept", "--correct"],
            &["ingest", "tooth", "--into", "kept"],
            &["ingest", "tooth", "--into", "kept", "--correct"],
            &["ingest", "day", "--into", "kept", "--correct"],
        ])
    };
    registry_help: said(&Ground::bare(), &[
        &["init", "--help"], &["ingest", "--help"], &["history", "--help"], &["verify", "--help"], &["withdraw", "--help"],
    ]);
    registry_started_wrongly: said(&two_batches(), &[
        &["init", "new"],
        &["init", "new", "--without-key", "--key-file", "key"],
        &["init", "kept", "--without-key"],
        &["init", "a", "--without-key"],
        &["init", "a/placements.csv", "--without-key"],
        &["init", "new", "--key-file", "new/key"],
        &["ingest", "a", "--into", "nowhere"],
        &["ingest", "nowhere", "--into", "kept"],
        &["history", "a"],
        &["verify", "a/visits.csv"],
        &["ingest", "a", "--into", "kept", "--key-file", "a/visits.csv"],
    ]);
    registry_damaged: {
        let ground = two_batches();
        ground.ingest("a");
        let batch = ground.bytes().into_keys().find(|path| path.parent().is_some_and(|folder| folder.ends_with("batches")));
        std::fs::write(batch.expect("a batch file"), "x").expect("written");
        let mut text = said(&ground, &[&["verify", "kept"]]);
        std::fs::remove_file(ground.kept().join("manifest.json")).expect("removed");
        text += &said(&ground, &[&["verify", "kept"], &["ingest", "b", "--into", "kept"]]);
        text
    };
}
