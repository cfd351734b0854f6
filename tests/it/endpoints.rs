//! How every finding counts for retention, survival and success, by the built-in protocol and with its options; as-of; flow.

use manebit::result::{Counts, Review};

use crate::run::{PLACEMENTS, Records, VISITS};

/// One restoration placed on 2020-01-10 with these visits; failures, competing and censored under each endpoint.
fn ends(visits: &str, more: &[&str]) -> [(u64, u64, u64); 3] {
    let placements = format!("{PLACEMENTS}R1,P1,14,facial,2020-01-10,op,self_etch,universal\n");
    let records =
        Records::new(&[("placements.csv", placements.as_bytes()), ("visits.csv", format!("{VISITS}{visits}").as_bytes())]);
    if let Some(protocol) = more.first() {
        std::fs::write(records.path().join("protocol.toml"), protocol).expect("a protocol");
        return all(&records.review(&["--protocol", "protocol.toml"]));
    }
    all(&records.review(&[]))
}

fn all(review: &Review) -> [(u64, u64, u64); 3] {
    [0, 1, 2].map(|place| {
        let group = &review.endpoints[place].all;
        (group.behind.failures, group.competing, group.censored)
    })
}

const FAILED: (u64, u64, u64) = (1, 0, 0);
const COMPETING: (u64, u64, u64) = (0, 1, 0);
const CENSORED: (u64, u64, u64) = (0, 0, 1);

/// The trade's table: survival = original still serving, success = no re-intervention (Opdam et al. 2014; Laske et al. 2019; from
/// memory), retention = the primary outcome of trials of cervical restorations (common practice).
#[test]
fn every_finding_counts_as_the_trade_counts_it() {
    let table = [
        ("complete loss, letters", "R1,2021-01-10,ex,usphs_3,C,,,,\n", [FAILED, FAILED, FAILED]),
        ("complete loss, FDI", "R1,2021-01-10,ex,fdi_2010,5,,,,\n", [FAILED, FAILED, FAILED]),
        ("complete loss, two letters", "R1,2021-01-10,ex,usphs_2,B,,,,\n", [FAILED, FAILED, FAILED]),
        ("complete loss, outcome alone", "R1,2021-01-10,,,,,lost,,\n", [FAILED, FAILED, FAILED]),
        ("partial loss, letters", "R1,2021-01-10,ex,usphs_3,B,A,,,\n", [CENSORED, CENSORED, FAILED]),
        ("partial loss, FDI", "R1,2021-01-10,ex,fdi_2023,4,1,,,\n", [CENSORED, CENSORED, FAILED]),
        ("repaired", "R1,2021-01-10,ex,usphs_3,A,A,repaired,,\n", [CENSORED, CENSORED, FAILED]),
        ("refurbished", "R1,2021-01-10,ex,usphs_3,A,A,refurbished,,\n", [CENSORED, CENSORED, CENSORED]),
        ("replaced because it failed", "R1,2021-01-10,ex,,,,replaced,,failure\n", [COMPETING, FAILED, FAILED]),
        ("replaced, no reason given", "R1,2021-01-10,ex,,,,replaced,,\n", [COMPETING, FAILED, FAILED]),
        ("replaced for another plan", "R1,2021-01-10,ex,,,,replaced,,unrelated\n", [COMPETING, COMPETING, COMPETING]),
        ("root-filled, filling kept", "R1,2021-01-10,ex,usphs_3,A,A,root_filled,,\n", [CENSORED, CENSORED, FAILED]),
        ("crowned", "R1,2021-01-10,ex,,,,crowned,,\n", [COMPETING, COMPETING, COMPETING]),
        ("extracted", "R1,2021-01-10,ex,,,,extracted,,\n", [COMPETING, COMPETING, COMPETING]),
        ("patient died", "R1,2021-01-10,,,,,patient_died,,\n", [CENSORED, CENSORED, CENSORED]),
        ("left", "R1,2021-01-10,,,,,left_practice,,\n", [CENSORED, CENSORED, CENSORED]),
        ("bad colour only", "R1,2021-01-10,ex,usphs_3,A,C,in_place,,\n", [CENSORED, CENSORED, CENSORED]),
        ("lost and replaced at once", "R1,2021-01-10,ex,usphs_3,C,,replaced,,failure\n", [FAILED, FAILED, FAILED]),
    ];
    for (what, visits, expected) in table {
        assert_eq!(ends(visits, &[]), expected, "{what}");
    }
}

#[test]
fn what_is_an_option_can_be_chosen() {
    let built_in = manebit::protocol::Protocol::BUILT_IN_TEXT;
    let partial = built_in.replacen("partial_loss = \"none\"", "partial_loss = \"failure\"", 1);
    assert_eq!(ends("R1,2021-01-10,ex,usphs_3,B,A,,,\n", &[&partial]), [FAILED, CENSORED, FAILED]);
    let refurbished = built_in.replace("refurbished = \"none\"         # option", "refurbished = \"failure\"");
    assert_eq!(ends("R1,2021-01-10,ex,usphs_3,A,A,refurbished,,\n", &[&refurbished]), [CENSORED, CENSORED, FAILED]);
    let colour = built_in.replacen("extracted = \"competing\"", "extracted = \"competing\"\nunacceptable = [\"colour\"]", 1);
    assert_eq!(ends("R1,2021-01-10,ex,usphs_3,A,C,in_place,,\n", &[&colour]), [FAILED, CENSORED, CENSORED]);
    let own = built_in.replacen(
        "extracted = \"competing\"",
        "extracted = \"competing\"\nfailing_scores = [{ criterion = \"colour\", scheme = \"usphs_3\", scores = [\"B\"] }]",
        1,
    );
    assert_eq!(ends("R1,2021-01-10,ex,usphs_3,A,B,in_place,,\n", &[&own]), [FAILED, CENSORED, CENSORED]);
    assert_eq!(ends("R1,2021-01-10,ex,fdi_2010,1,4,in_place,,\n", &[&own]), [CENSORED, CENSORED, CENSORED]);
}

fn first_step(review: &Review) -> i32 {
    review.endpoints[0].all.curve[0].day.count()
}

#[test]
fn a_failure_is_dated_to_the_day_found_unless_the_protocol_wants_the_day_known() {
    let placements = format!("{PLACEMENTS}R1,P1,14,facial,2020-01-10,op,self_etch,universal\n");
    let visits = format!("{VISITS}R1,2020-07-10,ex,usphs_3,A,A,,,\nR1,2021-01-10,ex,usphs_3,C,,lost,2020-10-01,\n");
    let records = Records::new(&[("placements.csv", placements.as_bytes()), ("visits.csv", visits.as_bytes())]);
    assert_eq!(first_step(&records.review(&[])), 366);
    let known =
        manebit::protocol::Protocol::BUILT_IN_TEXT.replace("failure_day = \"day_found\"", "failure_day = \"day_known\"");
    std::fs::write(records.path().join("known.toml"), known).expect("a protocol");
    assert_eq!(first_step(&records.review(&["--protocol", "known.toml"])), 265);
}

/// Someone who never comes back is censored on the day last seen, not on the day of the review; a recall at which nobody noted
/// whether the filling was there shows nothing.
#[test]
fn follow_up_ends_at_the_last_visit_that_showed_the_filling() {
    let placements = format!("{PLACEMENTS}R1,P1,14,facial,2020-01-10,op,,\nR2,P2,14,facial,2024-01-10,op,,\n");
    let visits = format!("{VISITS}R1,2020-07-10,ex,usphs_3,A,A,,,\nR1,2021-07-10,ex,usphs_3,,A,,,\n");
    let records = Records::new(&[("placements.csv", placements.as_bytes()), ("visits.csv", visits.as_bytes())]);
    let review = records.review(&[]);
    let days = (review.endpoints[0].all.exposure_years.count() * 365.25).round();
    assert!((days - 182.0).abs() < 1e-9, "{days}");
    assert_eq!(review.endpoints[0].flow.never_seen, 1);
}

/// A restoration that was there before observation began is not at risk before; one never seen in place after that is left out
/// and counted.
#[test]
fn late_entries_count_from_their_entry_on() {
    let placements = "restoration_id,patient_id,tooth,placed_on,entered_on\nR1,P1,14,2015-01-10,2020-01-10\nR2,P2,14,2015-01-10,2020-01-10\nR3,P3,14,2020-01-10,\n";
    let visits = format!(
        "{VISITS}R1,2020-01-10,ex,usphs_3,A,A,,,\nR1,2021-01-10,ex,usphs_3,C,,,,\nR3,2021-01-10,ex,usphs_3,A,A,,,\n"
    );
    let records = Records::new(&[("placements.csv", placements.as_bytes()), ("visits.csv", visits.as_bytes())]);
    let review = records.review(&[]);
    assert_eq!((review.flow.received, review.flow.analysed, review.endpoints[0].flow.delayed_entries), (3, 2, 1));
    assert_eq!(review.flow.excluded.len(), 1);
    let all = &review.endpoints[0].all;
    assert_eq!(
        all.counts[0],
        Counts { day: all.counts[0].day, at_risk: 1, failed: 0, competing: 0, censored: 0, not_yet_entered: 1 }
    );
    assert_eq!((all.curve[0].day.count(), all.curve[0].at_risk), (2192, 1));
}

/// Universal teeth are read where the folder declares them.
#[test]
fn a_declared_notation_is_obeyed() {
    let placements = format!("{PLACEMENTS}R1,P1,5,facial,2020-01-10,op,,\nR2,P1,30,facial,2020-01-10,op,,\n");
    let records = Records::new(&[
        ("placements.csv", placements.as_bytes()),
        ("records.toml", b"[[files]]\nname = \"placements.csv\"\ntooth_notation = \"universal\"\n"),
    ]);
    let review = records.review(&["--by", "arch", "--by", "tooth_type"]);
    let labels: Vec<&str> = review.endpoints[0].factors[0].groups.iter().map(|group| group.level.as_str()).collect();
    assert_eq!(labels, ["maxilla", "mandible"]);
    assert_eq!(review.endpoints[0].factors[1].groups[0].level, "premolar");
}

fn reconciles(review: &Review) {
    let flow = &review.flow;
    let out = |excluded: &[manebit::result::Exclusion]| excluded.iter().map(|one| one.count).sum::<u64>();
    assert_eq!(flow.received, out(&flow.excluded) + flow.analysed);
    assert_eq!(flow.visits_received, out(&flow.visits_excluded) + flow.visits_used);
    for endpoint in &review.endpoints {
        let groups = endpoint.factors.iter().flat_map(|factor| &factor.groups).chain([&endpoint.all]);
        for group in groups {
            assert_eq!(group.behind.observations, group.behind.failures + group.competing + group.censored);
            for counts in &group.counts {
                let sum = counts.at_risk + counts.failed + counts.competing + counts.censored + counts.not_yet_entered;
                assert_eq!(sum, group.behind.observations);
            }
        }
        for factor in &endpoint.factors {
            assert_eq!(
                factor.groups.iter().map(|group| group.behind.observations).sum::<u64>() + factor.missing,
                endpoint.all.behind.observations
            );
        }
    }
}

/// The records as they stood on an earlier day give what a review on that day gave: what came later is left out and counted.
#[test]
fn an_earlier_day_gives_the_earlier_review() {
    let sample = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data");
    let records = Records::new(&[]);
    let read = |name: &str| std::fs::read_to_string(sample.join(name)).expect("sample data");
    std::fs::write(records.path().join("records/placements.csv"), read("placements.csv")).expect("written");
    std::fs::write(records.path().join("records/visits.csv"), read("visits.csv")).expect("written");
    let whole = records.review(&[]);
    let earlier = records.review(&["--as-of", "2020-06-30"]);
    reconciles(&whole);
    reconciles(&earlier);
    assert!(earlier.totals.restorations < whole.totals.restorations && !earlier.flow.excluded.is_empty());
    // The same by cutting the files.
    let until = |text: &str, column: usize| {
        let mut lines = text.lines();
        let mut kept = vec![lines.next().expect("a header").to_owned()];
        kept.extend(
            lines.filter(|line| line.split(',').nth(column).is_some_and(|day| day <= "2020-06-30")).map(str::to_owned),
        );
        kept.join("\n") + "\n"
    };
    let cut_placements = until(&read("placements.csv"), 4);
    let cut = Records::new(&[
        ("placements.csv", cut_placements.as_bytes()),
        ("visits.csv", until(&read("visits.csv"), 1).as_bytes()),
    ]);
    let cut = cut.review(&["--as-of", "2020-06-30"]);
    assert_eq!(cut.endpoints, earlier.endpoints);
    assert_eq!(cut.recalls, earlier.recalls);
    assert_eq!(cut.criteria, earlier.criteria);
}

/// Rows that are doubled in one file or between files are counted once, and counted as doubled.
#[test]
fn doubled_rows_change_no_number() {
    let placements = format!(
        "{PLACEMENTS}R1,P1,14,facial,2020-01-10,op,self_etch,universal\nR1,P1,14,facial,2020-01-10,op,self_etch,universal\n"
    );
    let row = "R1,2021-01-10,ex,usphs_3,A,A,,,\n";
    let records = Records::new(&[
        ("placements.csv", placements.as_bytes()),
        ("visits-1.csv", format!("{VISITS}{row}{row}").as_bytes()),
        ("visits-2.csv", format!("{VISITS}{row}").as_bytes()),
    ]);
    let review = records.review(&[]);
    reconciles(&review);
    assert_eq!(
        (review.flow.received, review.flow.analysed, review.flow.visits_received, review.flow.visits_used),
        (2, 1, 3, 1)
    );
}

/// By hand: two practices' shares at the six-month recall, lost restorations not in the denominator of colour.
#[test]
fn lost_restorations_leave_the_denominator_of_colour() {
    let placements: String = (1..=4).map(|n| format!("R{n},P{n},14,facial,2020-01-10,op,,\n")).collect();
    let visits = "R1,2020-07-10,ex,usphs_3,A,A,,,\nR2,2020-07-12,ex,usphs_3,A,B,,,\nR3,2020-07-11,ex,fdi_2010,1,4,,,\nR4,2020-07-01,ex,usphs_3,C,,,,\nR1,2023-07-10,ex,usphs_3,A,A,,,\n";
    let records = Records::new(&[
        ("placements.csv", format!("{PLACEMENTS}{placements}").as_bytes()),
        ("visits.csv", format!("{VISITS}{visits}").as_bytes()),
    ]);
    let review = records.review(&[]);
    let at_six = |criterion| {
        let pooled = review.criteria.iter().find(|entry| {
            entry.criterion == criterion && entry.months == 6 && entry.scheme.is_none() && entry.factor == "all"
        });
        let pooled = pooled.expect("an entry");
        (pooled.scored, pooled.standings.iter().map(|share| share.count).collect::<Vec<_>>())
    };
    assert_eq!(at_six(manebit::record::Criterion::Colour), (3, vec![1, 1, 1]));
    assert_eq!(at_six(manebit::record::Criterion::Retention), (4, vec![3, 0, 1]));
    let six = review.recalls.iter().find(|recall| recall.months == 6).expect("a recall");
    assert_eq!((six.due, six.seen, six.scored), (4, 4, 4));
    let twelve = review.recalls.iter().find(|recall| recall.months == 12).expect("a recall");
    assert_eq!((twelve.due, twelve.seen), (3, 0), "the lost one is no longer due");
}

/// Spreadsheets write a byte-order mark, CRLF, quoted line breaks, blank lines, capitals in headers and stray spaces; none of it
/// is in the way, and rows are still counted as the spreadsheet shows them.
#[test]
fn what_spreadsheets_write_is_read() {
    let placements = "\u{feff}Restoration ID,PATIENT_ID,Tooth,Placed-On,shades\r\nR1, P1 ,14,2020-01-10,\"s1\r\ns2\"\r\n\r\nR2,P2,15,2020-01-11,s1\r\n,,,,\r\n";
    let records = Records::new(&[("placements.csv", placements.as_bytes())]);
    assert_eq!(records.review(&[]).totals.restorations, 2);
    let wrong = placements.replace("2020-01-11", "2020-13-11");
    let records = Records::new(&[("placements.csv", wrong.as_bytes())]);
    let output = records.run(&["review", "records"]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.starts_with("placements.csv, row 4, column Placed-On: 2020-13-11"), "{said}");
}
