//! Every file of a registry cut short, flipped at random places, or gone: it is said, with the way back, and no wrong record is read.

use std::fs;
use std::path::Path;

use manebit::registry::{Holds, Registry, RegistryError, verify};

use crate::registry_ground::{Dice, Ground, rows_of, text_of};

/// A registry with batches 1, 2, 3 (a correction), and 4 (a withdrawal).
fn ground() -> Ground {
    let ground = Ground::new();
    for part in ["a", "b"] {
        ground.part(part, 40);
        ground.ingest(part);
    }
    let part =
        fs::read_to_string(ground.path().join("b/placements.csv")).expect("it").replace("self_etch", "etch_and_rinse");
    ground.files("c", &[("placements.csv", part)]);
    ground.good(&["ingest", "c", "--into", "kept", "--correct"]);
    ground.good(&["withdraw", "a-P3", "--from", "kept"]);
    ground
}

enum Harm {
    Flip { byte: usize, bit: usize },
    Cut(usize),
    Grown,
    Gone,
}

fn do_harm(path: &Path, bytes: &[u8], harm: &Harm) {
    match harm {
        Harm::Gone => return fs::remove_file(path).expect("removed"),
        Harm::Cut(length) => fs::write(path, &bytes[..*length]),
        Harm::Grown => fs::write(path, [bytes, b"\n"].concat()),
        Harm::Flip { byte, bit } => {
            let mut flipped = bytes.to_vec();
            flipped[*byte] ^= 1 << bit;
            fs::write(path, flipped)
        }
    }
    .expect("written");
}

#[test]
fn damage_anywhere_is_said_and_never_read() {
    let ground = ground();
    let whole = ground.bytes();
    let kept = ground.read(None);
    let right = (rows_of(kept.placements.0.frame()), rows_of(kept.visits.0.frame()));
    let mut dice = Dice::new(20_150_301);
    let (mut manifests, mut numbered, mut batches) = (0, 0, 0);
    for (path, bytes) in &whole {
        let name = path.strip_prefix(ground.kept()).expect("inside").display().to_string();
        if name == "lock" {
            continue;
        }
        let mut harms = vec![Harm::Gone, Harm::Grown, Harm::Cut(0), Harm::Cut(bytes.len() - 1)];
        harms.extend((0..6).map(|_| Harm::Cut(dice.below(bytes.len()))));
        harms.extend((0..20).map(|_| Harm::Flip { byte: dice.below(bytes.len()), bit: dice.below(8) }));
        for harm in harms {
            do_harm(path, bytes, &harm);
            if name == "manifest.json" {
                manifests += 1;
                let Err(error) = Registry::open(&ground.kept()) else { panic!("a damaged manifest was taken") };
                let RegistryError::ManifestDamaged { last_good: Some(good), .. } = &error else { panic!("{error}") };
                assert!(good.batch == 4 && good.newest && good.files_there, "{error}");
                assert!(error.to_string().contains("Mend: copy") && verify(&ground.kept()).is_err(), "{error}");
                // What the message says helps.
                fs::copy(&good.path, path).expect("copied");
                assert_eq!(ground.state().batch, 4);
            } else if name.starts_with("manifests") {
                numbered += 1;
                let verdict = verify(&ground.kept()).expect("the newest manifest is whole");
                if verdict.damages.is_empty() {
                    assert!(!path.exists() && name.ends_with("4.json") && verdict.leftovers == 1, "{name}");
                } else {
                    assert_eq!(verdict.damages.len(), 1, "{name}: {:?}", verdict.damages);
                    assert!(verdict.damages[0].path == *path && verdict.damages[0].what.contains("Mend: copy"));
                }
                let kept = ground.read(None);
                assert_eq!(rows_of(kept.visits.0.frame()).len(), right.1.len());
            } else {
                batches += 1;
                let registry = Registry::open(&ground.kept()).expect("the manifest is whole");
                let (batch, _) = registry
                    .manifest()
                    .files()
                    .find(|(_, file)| name.ends_with(&file.name))
                    .map(|(batch, file)| (batch.number, file.rows))
                    .expect("it is named");
                let Err(error) = registry.read(None) else { panic!("a damaged file was read: {name}") };
                let in_pieces = registry.steadily(None, |now, batch| {
                    now.placements(batch, Some(&["restoration_id".to_owned()]))?;
                    now.pieces(batch, Holds::Visits, Ok, |_| Ok(()))
                });
                assert_eq!(in_pieces.map_err(|error| error.to_string()), Err(error.to_string()), "nor piece by piece");
                let said = error.to_string();
                assert!(said.contains(&format!("Batch {batch} is damaged")) && said.contains(&name), "{said}");
                assert!(said.contains("copy this file back from a backup"), "{said}");
                let verdict = verify(&ground.kept()).expect("the manifest is whole");
                assert_eq!(verdict.damages.iter().map(|damage| damage.batch).collect::<Vec<_>>(), [Some(batch)]);
                assert!(registry.read(Some(batch - 1)).is_ok(), "what came before is read");
            }
            fs::write(path, bytes).expect("put back");
        }
    }
    let kept = ground.read(None);
    assert_eq!((rows_of(kept.placements.0.frame()), rows_of(kept.visits.0.frame())), right);
    println!(
        "damages noticed, none read: {batches} of batch files, {manifests} of the manifest, {numbered} of earlier manifests"
    );
}

#[test]
fn commands_say_damage_with_their_own_exit_code() {
    let ground = ground();
    let whole = ground.bytes();
    let batch = whole.keys().find(|path| path.display().to_string().contains("batches")).expect("a batch file");
    fs::write(batch, b"PAR1").expect("written");
    ground.part("n", 2);
    for arguments in [&["verify", "kept"][..], &["ingest", "n", "--into", "kept"], &["withdraw", "a-P0", "--from", "kept"]] {
        let output = ground.run(arguments);
        assert_eq!(output.status.code(), Some(4), "{}", text_of(&output));
        assert!(text_of(&output).contains("is damaged"), "{}", text_of(&output));
    }
    ground.put_back(&whole);
    fs::write(ground.kept().join("manifest.json"), b"{}").expect("written");
    for arguments in [&["verify", "kept"][..], &["history", "kept"], &["ingest", "n", "--into", "kept"]] {
        let output = ground.run(arguments);
        assert_eq!(output.status.code(), Some(4), "{}", text_of(&output));
        assert!(text_of(&output).contains("manifests/000004.json over it"), "{}", text_of(&output));
    }
    ground.put_back(&whole);
    ground.ingest("n");
    ground.state();
}

/// Whatever else is damaged with the manifest, what the message says leads to no loss that it doesn't name.
#[test]
fn a_manifest_damaged_with_other_files_is_restored_with_care() {
    let ground = ground();
    let whole = ground.bytes();
    let open = || Registry::open(&ground.kept()).expect_err("damaged").to_string();
    let manifest = ground.kept().join("manifest.json");
    let numbered = |revision: u32| ground.kept().join(format!("manifests/00000{revision}.json"));

    // With a batch file: the newest manifest all the same, so that nothing is swept.
    let batch = whole.keys().find(|path| path.display().to_string().contains("batches")).expect("a batch file");
    fs::remove_file(batch).expect("removed");
    fs::remove_file(&manifest).expect("removed");
    let said = open();
    assert!(said.contains("manifests/000004.json over it, then run manebit verify, which names"), "{said}");
    fs::copy(numbered(4), &manifest).expect("copied");
    let verdict = verify(&ground.kept()).expect("the manifest is whole");
    assert_eq!(verdict.damages.len(), 1);
    ground.put_back(&whole);

    // With its numbered copy: a backup first; earlier manifests name files that a withdrawal removed.
    fs::write(&manifest, "x").expect("written");
    fs::write(numbered(4), "x").expect("written");
    let said = open();
    assert!(said.contains("back from a backup"), "{said}");
    ground.put_back(&whole);

    // An earlier manifest put back by hand would make the next change sweep what came later, so it is refused.
    for earlier in 0..=3 {
        fs::copy(numbered(earlier), &manifest).expect("copied");
        let said = open();
        assert!(
            said.contains("it is an earlier one than") && said.contains("copy") && said.contains("000004.json over it"),
            "{said}"
        );
        ground.part("n", 2);
        assert_eq!(ground.run(&["ingest", "n", "--into", "kept"]).status.code(), Some(4));
    }
    ground.put_back(&whole);
    assert_eq!(ground.state().batch, 4);
}
