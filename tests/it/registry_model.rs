//! Random courses of commits, corrections and withdrawals against a model in plain maps: every state of every batch agrees.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use manebit::finding::{FindingKind, Findings};
use manebit::intake::{IntakeRequest, read_records};
use manebit::quantity::Day;
use manebit::registry::{
    BatchKind, Holds, Kept, Key, Pseudonyms, Registry, RegistryError, SourceFile, Staged, Writer, verify,
};
use manebit::table::{Piece, PlacementTable, RecordTable, StatedRows, VisitTable};
use polars::prelude::DataFrame;

use crate::registry_ground::{Dice, Ground, PLACEMENTS, VISITS};

/// Restoration → patient, depth; visit → score.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Model {
    placements: BTreeMap<String, (String, String)>,
    visits: BTreeMap<(String, String), String>,
}

fn model_of(kept: &Kept) -> Model {
    let mut model = Model::default();
    let (placements, visits) = (kept.placements.0.frame(), kept.visits.0.frame());
    let cell = |frame: &polars::prelude::DataFrame, name: &str, row: usize| {
        frame.column(name).expect("a column").get(row).expect("a row").str_value().into_owned()
    };
    for row in 0..placements.height() {
        let value = (cell(placements, "patient_id", row), cell(placements, "lesion_depth_mm", row));
        assert!(model.placements.insert(cell(placements, "restoration_id", row), value).is_none(), "it stands once");
    }
    let scores = kept.visits.0.codes("colour").expect("scores");
    for (row, score) in scores.iter().enumerate() {
        let key = (cell(visits, "restoration_id", row), cell(visits, "visited_on", row));
        assert!(model.visits.insert(key, char::from(*score).to_string()).is_none(), "it stands once");
    }
    model
}

fn staged(writer: &Writer, pseudonyms: &Pseudonyms, folder: &Path, number: usize, rows: usize) -> Staged {
    let mut findings = Findings::default();
    let request = IntakeRequest {
        records: folder,
        declaration: None,
        today: Day::from_epoch(20_000),
        own_columns: &[],
        progress: None,
    };
    let intake = read_records(request, &mut findings).expect("read").expect("files");
    let sources = intake.sources.iter().map(|file| SourceFile { name: file.name.clone(), sha256: format!("{number:064}") });
    let sources = sources.collect();
    let mut staging = writer.stage(pseudonyms, &[], rows);
    staging.take(Holds::Placements, intake.placements.0.frame()).expect("staged");
    staging.take(Holds::Visits, intake.visits.0.frame()).expect("staged");
    staging.end(sources).expect("staged")
}

/// One course; gives how many commits, corrections, refusals and withdrawals it had, and how often rows were in parts.
fn course(dice: &mut Dice, pseudonyms: &Pseudonyms) -> [u32; 5] {
    let ground = Ground::bare();
    Registry::create(&ground.kept(), pseudonyms).expect("started");
    let mut states = vec![Model::default()];
    let mut did = [0; 5];
    for step in 0..8 {
        let mut now = states.last().expect("one").clone();
        let patients: BTreeSet<String> = now.placements.values().map(|(patient, _)| patient.clone()).collect();
        if dice.below(4) == 0 && !patients.is_empty() {
            let patient = patients.iter().nth(dice.below(patients.len())).expect("one").clone();
            let gone: BTreeSet<String> =
                now.placements.iter().filter(|(_, (of, _))| *of == patient).map(|(id, _)| id.clone()).collect();
            let withdrawn =
                Writer::take(&ground.kept()).and_then(|mut writer| writer.withdraw(&patient, Day::from_epoch(step)));
            assert!(withdrawn.expect("withdrawn").placements >= gone.len() as u64);
            states.push(now);
            for state in &mut states {
                state.placements.retain(|id, (of, _)| !gone.contains(id) && *of != patient);
                state.visits.retain(|(id, _), _| !gone.contains(id));
            }
            did[3] += 1;
            continue;
        }
        // Few ids and few values, so that rows meet. A restoration keeps its patient.
        let (mut placements, mut visits) = (PLACEMENTS.to_owned(), VISITS.to_owned());
        let before = now.clone();
        let mut given = (BTreeSet::new(), BTreeSet::new());
        for _ in 0..1 + dice.below(5) {
            let (id, depth) = (dice.below(12), format!("1.{}", 1 + dice.below(2)));
            if given.0.insert(id) {
                placements += &format!("R{id},P{},14,facial,2015-03-01,op,,{depth}\n", id / 3);
                now.placements.insert(format!("R{id}"), (pseudonyms.name(&format!("P{}", id / 3)), depth));
            }
        }
        for _ in 0..dice.below(6) {
            let (id, day, score) = (dice.below(12), format!("2016-01-0{}", 1 + dice.below(2)), ["A", "B"][dice.below(2)]);
            if now.placements.contains_key(&format!("R{id}")) && given.1.insert((id, day.clone())) {
                visits += &format!("R{id},{day},ex,usphs_3,A,{score}\n");
                now.visits.insert((format!("R{id}"), day), score.to_owned());
            }
        }
        let folder = format!("step-{step}");
        ground.files(&folder, &[("p.csv", placements), ("v.csv", visits)]);
        let changed = before.placements.iter().any(|(id, value)| now.placements[id] != *value)
            || before.visits.iter().any(|(key, value)| now.visits[key] != *value);
        let correction = dice.below(2) == 0;
        let mut writer = Writer::take(&ground.kept()).expect("free");
        let mut findings = Findings::default();
        let kept = writer.read().expect("whole");
        // From all rows in memory and one part to all of them on the disk and many parts.
        let rows = [usize::MAX, 3, 0][dice.below(3)];
        let number = states.len() * 100 + step as usize;
        let staged = staged(&writer, pseudonyms, &ground.path().join(&folder), number, rows);
        let mut together = kept.clone();
        let mut whole: Option<(DataFrame, DataFrame)> = None;
        let weighed = {
            let parts = writer.part(&staged, correction, rows).expect("parts");
            did[4] += u32::from(parts.count() > 1);
            let mut weighed = parts.nothing();
            for part in 0..parts.count() {
                let part = parts.weigh(part, &mut findings).expect("weighed");
                weighed.take_over(&part);
                let (placements, visits) = (part.placements.0.frame().clone(), part.visits.0.frame().clone());
                match &mut whole {
                    Some(whole) => {
                        whole.0.vstack_mut_owned(placements).expect("one shape");
                        whole.1.vstack_mut_owned(visits).expect("one shape");
                    }
                    none => *none = Some((placements, visits)),
                }
            }
            weighed
        };
        assert_eq!(findings.any_error(), changed && !correction, "{findings:?}");
        if findings.any_error() {
            assert!(findings.by_kind().iter().all(|(kind, _)| *kind == FindingKind::KeptRowDiffers));
            did[2] += 1;
            continue;
        }
        let (placements, visits) = whole.expect("a part");
        together.placements = PlacementTable(RecordTable::new(placements, Vec::new()));
        together.visits = VisitTable(RecordTable::new(visits, Vec::new()));
        assert_eq!(model_of(&together), now, "what is checked is what will stand");
        let counts = weighed.counts[0];
        assert_eq!(counts.received, counts.kept + counts.identical);
        let batch = writer.commit(staged, &weighed, Day::from_epoch(step)).expect("kept");
        assert_eq!(batch.is_none(), now == before, "a batch only if something is new");
        if batch.is_some() {
            states.push(now);
            did[usize::from(correction)] += 1;
        }
    }
    let registry = Registry::open(&ground.kept()).expect("whole");
    assert_eq!(registry.manifest().revision as usize + 1, states.len());
    for (batch, state) in (0..).zip(&states) {
        let whole = registry.read(Some(batch)).expect("whole");
        assert_eq!(model_of(&whole), *state, "as of batch {batch}");
        in_pieces_is_the_same(&registry, batch, &whole);
    }
    let past = registry.read(Some(states.len() as u32));
    assert!(matches!(past, Err(RegistryError::NoSuchBatch { .. })));
    assert!(verify(&ground.kept()).expect("whole").damages.is_empty());
    did
}

/// Visits piece by piece, with what they state and their texts beside the rest, say what the whole table says.
fn visits_in_pieces_are_the_same(registry: &Registry, batch: u32, whole: &Kept) {
    // Rows that supersede others are told by the cells of their keys, so nothing stands apart after a correction.
    let corrected = registry.manifest().batches.iter().any(|one| one.number <= batch && one.kind == BatchKind::Correction);
    let mut rows = 0;
    let take = |(piece, stated): (Piece, StatedRows)| -> Result<(), RegistryError> {
        let here = whole.visits.0.rows(rows, stated.numbers.len());
        for name in ["restoration_id", "examiner"] {
            let apart = piece.numbered.iter().find(|(other, _)| other == name).map(|(_, texts)| texts);
            let cells = here.text(name).expect("texts");
            match apart {
                Some(texts) => {
                    assert!(!corrected, "{name} as of batch {batch}");
                    assert!(cells.iter().eq((0..texts.len()).map(|row| texts.get(row))), "{name}");
                }
                None => {
                    assert!(corrected || name != "examiner", "{name} as of batch {batch}");
                    let own = piece.frame.column(name).expect("there").as_materialized_series().str().expect("texts").iter();
                    assert!(own.eq(cells.iter()), "{name}");
                }
            }
        }
        for column in stated.columns() {
            assert!(column.equals_missing(here.frame().column(column.name()).expect("there")), "{}", column.name());
        }
        for name in ["visited_on", "outcome_on", "from_file", "from_row"] {
            assert!(
                piece.frame.column(name).expect("there").equals_missing(here.frame().column(name).expect("there")),
                "{name}"
            );
        }
        rows += stated.numbers.len();
        Ok(())
    };
    let checked = registry.check_visits_ahead(batch).expect("whole");
    registry.visit_pieces(batch, checked, |piece, stated| Ok((piece, stated)), take).expect("whole");
    assert_eq!(rows, whole.visits.0.len(), "batch {batch}");
}

/// Placements with some columns, and visits piece by piece, say what the whole tables say.
fn in_pieces_is_the_same(registry: &Registry, batch: u32, whole: &Kept) {
    let columns = ["patient_id", "restoration_id", "operator"].map(str::to_owned);
    let some = registry.placements(batch, Some(&columns)).expect("whole");
    // Texts that many rows share stand beside the others, unless rows supersede others.
    let some = &some;
    let beside = some.placements.0.numbered();
    let mut names: Vec<&str> = some.placements.0.frame().get_column_names().into_iter().map(|name| name.as_str()).collect();
    let chosen = whole.placements.0.frame().select(names.iter().copied()).expect("these columns");
    assert!(chosen.equals_missing(some.placements.0.frame()), "batch {batch}");
    for (name, texts) in beside {
        let cells = whole.placements.0.text(name).expect("texts");
        assert!(cells.iter().eq((0..texts.len()).map(|row| texts.get(row))), "{name} as of batch {batch}");
        assert_eq!(texts.len(), cells.len());
        names.insert(2, name);
    }
    assert_eq!(names, ["restoration_id", "patient_id", "operator", "from_file", "from_row"]);
    visits_in_pieces_are_the_same(registry, batch, whole);
    assert_eq!((&some.fingerprint, some.placements.0.files()), (&whole.fingerprint, whole.placements.0.files()));
    for (holds, table) in [(Holds::Placements, &whole.placements.0), (Holds::Visits, &whole.visits.0)] {
        let mut rows = table.frame().clear();
        let take = |piece: DataFrame| -> Result<(), RegistryError> {
            rows.vstack_mut_owned(piece)?;
            Ok(())
        };
        registry.pieces(batch, holds, Ok, take).expect("whole");
        assert!(rows.equals_missing(table.frame()), "batch {batch}: {rows} {}", table.frame());
    }
    assert_eq!(registry.files(batch), whole.visits.0.files());
}

#[test]
fn random_courses_agree_with_a_plain_model() {
    let mut dice = Dice::new(1_815);
    let mut did = [0; 5];
    for round in 0..14 {
        let pseudonyms = if round % 2 == 0 { Pseudonyms::Plain } else { Pseudonyms::Keyed(Key::new([round; 32])) };
        for (total, one) in did.iter_mut().zip(course(&mut dice, &pseudonyms)) {
            *total += one;
        }
    }
    let [commits, corrections, refusals, withdrawals, parted] = did;
    assert!(did.iter().all(|count| *count > 5), "{did:?}");
    println!(
        "14 courses: {commits} commits, {corrections} corrections, {refusals} contradictions refused, {withdrawals} withdrawals, {parted} in parts; every state of every batch agrees"
    );
}
