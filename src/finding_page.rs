//! A page for each kind of finding: what it is, why it matters, how to mend it, and a small example where one helps. A leaf.
//!
//! The match is complete on purpose: a new kind without a page doesn't compile. A new page is one arm, in the order of
//! [`FindingKind`]; three to eight short sentences, in words that need no dictionary.

use crate::finding::FindingKind;

/// What is told of one kind of finding.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FindingPage {
    /// What it is about.
    pub about: &'static str,
    /// Why it matters for the records or the numbers.
    pub matters: &'static str,
    /// How to mend it.
    pub mend: &'static str,
    /// As it was found, and as it should be.
    pub example: Option<(&'static str, &'static str)>,
}

const fn page(about: &'static str, matters: &'static str, mend: &'static str) -> FindingPage {
    FindingPage { about, matters, mend, example: None }
}

impl FindingPage {
    /// The same page with an example: what was found, what it should be.
    const fn with(self, found: &'static str, mended: &'static str) -> Self {
        Self { example: Some((found, mended)), ..self }
    }
}

/// The page of a kind.
pub const fn finding_page(kind: FindingKind) -> FindingPage {
    use FindingKind as K;
    match kind {
        K::FolderMissing => page(
            "The folder that the command names is not there, is a file, or may not be opened.",
            "Nothing could be read, so nothing was checked.",
            "Check the spelling of the name, and give the folder that holds the record files, not one of the files. \
             If the folder is on a drive of the practice's network, see that the drive is connected and that you may open it.",
        ),
        K::NoRecordFiles => page(
            "The folder is there, but no file in it holds placements.",
            "Without placements there is nothing to follow: visits alone don't say when a filling was placed, or how.",
            "Put at least one file of placements into the folder; it has a column placed_on. \
             Blank files to start from are made by “manebit template FOLDER”.",
        ),
        K::DeclarationUnread => page(
            "The file records.toml, in which a folder says how its files are written, has a mistake or names a file that isn't there.",
            "What it declares decides how teeth and other cells are read. Were it passed over, 11 could be taken for the wrong tooth.",
            "Correct the line that the finding shows, or the name of the file; capitals count. \
             If nothing needs declaring, the file may be deleted.",
        )
        .with("tooth_notation = universal", "tooth_notation = \"universal\""),
        K::EntryUnsettled => page(
            "Two entries of records.toml fit the same file by their asterisks, or a file has no entry while ids of others are declared to begin with something.",
            "Practices that count alike write the same id for different patients. Read without what tells them apart, their fillings would become those of one mouth.",
            "Write an entry with the file's own name, or narrower asterisks; where its ids are to stay as they are, ids_begin_with = \"\".",
        )
        .with("export-*.csv and *-north.csv for export-north.csv", "export-north.csv"),
        K::FileUnread => page(
            "The file is in the folder, but the system would not let it be read.",
            "A review without one of its files would look complete and not be.",
            "Close the file in other programs and run the command again. \
             If that doesn't help, ask whoever looks after the computers whether you have the right to read it.",
        ),
        K::FileEmpty => page(
            "The file has no rows, or a header and nothing below it.",
            "An export that went wrong often leaves an empty file. If it were passed over, its records would be missing and nobody would know.",
            "Export it again. If it is meant to be empty, such as a blank template that isn't used yet, take it out of the folder.",
        ),
        K::FileNotText => page(
            "The file is neither text, nor a workbook, nor Parquet, nor JSON lines.",
            "What is no table can't be read, and guessing at it would make records that nobody wrote.",
            "Export it again as CSV or as a workbook (.xlsx). Renaming a file doesn't change what is in it.",
        ),
        K::FileCutOff => page(
            "The file ends in the middle of a row: the row has fewer cells than the header, and no end of a line follows.",
            "A transfer or an export that broke off leaves such files. All rows that came after are missing, and nothing else tells of them.",
            "Export the file again, or ask whoever sent it. If the row was the last one and only its cells are missing, fill it up.",
        )
        .with("R9,2024-03-1", "R9,2024-03-11,ex,usphs_3,A,A"),
        K::UnclosedQuote => page(
            "A quotation mark opens a text that is never closed, or only rows later.",
            "Everything up to the next mark counts as one cell, so whole rows would vanish inside it.",
            "Look at the row that the finding names. Close the mark, or take it out; \
             a mark that belongs to the text itself is written twice.",
        )
        .with("R1,P1,14,\"A2 and A3,op1", "R1,P1,14,\"A2 and A3\",op1"),
        K::UnknownKind => page(
            "The header of this file is that of neither placements nor visits.",
            "It can't be known whether its rows are records. Leaving it out unasked might leave out a year.",
            "Placements have a column placed_on, visits a column visited_on, and no file has both. \
             Correct the header, or move the file out of the folder if it holds something else.",
        ),
        K::ColumnMissing => page(
            "A column that every file of this kind needs is not in the header.",
            "Without it a row can't be told from another, or can't be placed in time.",
            "Add the column and fill it in every row. If it is there under another name, rename it in the header.",
        )
        .with("restoration,patient_id,tooth,placed_on", "restoration_id,patient_id,tooth,placed_on"),
        K::ColumnTwice => page(
            "Two columns of the file have the same name.",
            "Only one of them can be meant, and a guess could take the wrong one.",
            "Compare the two, then delete one or give it another name.",
        ),
        K::ColumnUnknown => page(
            "The header has a name that is no column of the records.",
            "It is most often a slip of the pen in a known name. Were it passed over, everything in that column would be lost without a word.",
            "Correct the name, or delete the column. A column of your own, such as the assistant or the room, is named \
             under own_factors in the protocol and may then be compared like any other.",
        )
        .with("etchstrategy", "etch_strategy"),
        K::PersonalData => page(
            "The column's name suggests that it tells who the patient is: a name, a day of birth, a telephone number, an address, an insurance number.",
            "The registry keeps pseudonyms only. What never enters can't leak, also not when files are pooled with colleagues.",
            "Delete the column from the file. The pseudonym in patient_id is all that is needed; \
             keep the list that links it to the patient in the practice's own records.",
        )
        .with("patient_id,patient name,tooth", "patient_id,tooth"),
        K::RowLength => page(
            "A row has more or fewer cells than the header.",
            "The cells behind the slip have moved to other columns, so an etching time might be read as a curing time.",
            "Most often a text holds a comma: put it into quotation marks. Otherwise fill up the row, or delete what is too much.",
        )
        .with("R1,P1,14,A2, A3,op1", "R1,P1,14,\"A2, A3\",op1"),
        K::DecimalMarksMixed => page(
            "Some numbers of the file have a decimal comma and others a decimal point.",
            "One of the two may part thousands instead, and then the number would be read a thousand times too small.",
            "Write all numbers of the file with the same mark. \
             A spreadsheet does that for a whole column when the column is formatted as numbers.",
        )
        .with("1,5 and 1.25", "1.5 and 1.25"),
        K::NotationRefuted => page(
            "Some teeth in this file exist only in the other notation than the one it is declared in.",
            "Eighteen numbers, such as 11, stand for one tooth in ISO 3950 notation and for another in Universal notation. \
             If some cells are in the wrong notation, the others can't be trusted either.",
            "Say in records.toml which notation the file uses. If the declaration is right, correct the teeth that the finding counts.",
        )
        .with("30 in a file in ISO 3950 notation", "46, or tooth_notation = \"universal\" in records.toml"),
        K::CellMissing => page(
            "A cell that every row needs is empty.",
            "Without it the row has no restoration, no patient, no tooth or no day, and can't be counted.",
            "Fill the cell from the notes of the visit. If the row is a left-over, delete it.",
        ),
        K::NotADay => page(
            "The cell should hold a day and doesn't, or holds one that no calendar has.",
            "All results are counted in days from placement, so a day that is read wrongly moves a curve.",
            "Write the year, the month and the day, with hyphens between. If a five-digit number is there, \
             the spreadsheet wrote its inner count of days: give the column a date format and export it again.",
        )
        .with("31 March 2024", "2024-03-31"),
        K::AmbiguousDate => page(
            "Day and month can be read two ways.",
            "03/04/2022 is in April for one reader and in March for another. \
             A guess would be wrong for half of the world, and a wrong month is hardly ever noticed later.",
            "Write year, month and day. If the whole column is like this, give it the date format year-month-day in the spreadsheet and export again.",
        )
        .with("03/04/2022", "2022-04-03 if April is meant, 2022-03-04 if March"),
        K::FutureDay => page(
            "The day has not come yet.",
            "A visit in the future would lengthen the time a filling is known to have lasted. \
             It is most often a slip in the year.",
            "Correct the day. A booked recall is no visit: enter it when it has taken place. \
             If the day is right, check the date that this computer is set to.",
        )
        .with("2062-05-14", "2026-05-14"),
        K::FormulaUnreckoned => page(
            "A cell of the workbook holds a formula, and no value was stored with it.",
            "It would be read as empty, and a loss that the formula stands for would vanish.",
            "Open the workbook in a spreadsheet and save it, so that the values are stored. Or write the value in place of the formula.",
        ),
        K::NotATooth => page(
            "There is no tooth with this number in the notation of the file.",
            "The tooth tells restorations in one mouth apart, and its kind and jaw are compared.",
            "In ISO 3950 notation the first digit is the quadrant and the second counts from the midline. \
             Correct the number; if the whole file is in Universal notation, declare that in records.toml.",
        )
        .with("49 in ISO 3950 notation", "48, or whichever tooth it was"),
        K::NotANumber => page(
            "The cell should hold a number alone and holds something else.",
            "A unit, a word or a decimal comma leaves open what was measured.",
            "Write digits, with a point for decimals. The unit belongs to the column's name: _mm millimetres, _s seconds, _percent per cent.",
        )
        .with("1,5 mm", "1.5"),
        K::OutOfRange => page(
            "The number lies outside what hands, teeth and instruments can do.",
            "It is a slip or in another unit, and a single such value would draw an average far away.",
            "Check the notes of the visit, and the unit in the column's name. A depth of 15 in millimetres was most likely 1.5.",
        )
        .with("lesion_depth_mm: 15", "lesion_depth_mm: 1.5"),
        K::UnknownTerm => page(
            "The word in this cell is not among the terms of its column, nor among the other spellings that are taken for them.",
            "Fillings are grouped by these terms. A guess would put the filling into a group where it doesn't belong.",
            "Write one of the terms that the finding lists. Where none fits, leave the cell empty if it may be empty. \
             All terms with their spellings are in the workbook that “manebit template” makes.",
        )
        .with("etched", "etch_and_rinse"),
        K::SchemeMissing => page(
            "The visit has a score and doesn't say by which scheme it was given.",
            "A B for caries means a failure in the two-level letter scheme and none in the three-level one. \
             Without the scheme a score says nothing.",
            "Fill the column scheme in every row that has a score.",
        )
        .with("scheme empty, retention A", "scheme usphs_3, retention A"),
        K::ScoreOutsideScheme => page(
            "The scheme of this row doesn't have this score for this criterion.",
            "Either the score or the scheme is wrong, and the two together decide whether a filling counts as failed. \
             Letters and digits are never turned into each other.",
            "Write one of the scores that the finding lists, or correct the scheme. If an export counts 0, 1, 2 for A, B, C, write the letters.",
        )
        .with("scheme usphs_3, colour D", "scheme usphs_3, colour C, if that was seen"),
        K::NothingScored => page(
            "The visit has no score and no outcome.",
            "It doesn't even say that the filling was still there, so nothing can be counted from it.",
            "Score at least one criterion, or write an outcome such as in_place. If nobody looked at the filling, delete the row.",
        ),
        K::PlacementRepeated => page(
            "Two placements have the same restoration_id.",
            "Visits find their filling by this name. With two of one name, a loss might be counted for the wrong one, or twice.",
            "Give each filling a name of its own, also when it was placed anew on the same tooth. \
             If the same row was exported twice, delete one. When practices are pooled, put a sign of the practice in front.",
        )
        .with("R7 placed in 2019, R7 placed anew in 2023", "R7 placed in 2019, R7b placed in 2023"),
        K::RestorationUnknown => page(
            "The visit belongs to a restoration of which there is no placement.",
            "It isn't known when the filling was placed, so its time can't be counted; the visit might be a loss.",
            "Correct the restoration_id, or add the placement. If placements are kept in another file, put that file into the folder too.",
        ),
        K::EnteredBeforePlaced => page(
            "The day on which the filling came under observation is before the day it was placed.",
            "Nothing can be watched before it exists. The days in between would count as days on which it lasted.",
            "Correct one of the two days. Leave entered_on empty if the filling was followed from its placement on.",
        )
        .with("placed_on 2020-03-01, entered_on 2019-03-01", "placed_on 2018-03-01, entered_on 2019-03-01"),
        K::VisitBeforePlacement => page(
            "The visit is dated before the filling was placed.",
            "One of the two days is wrong, or the visit belongs to an earlier filling of the same tooth. Either would change how long it lasted.",
            "Correct the day that is wrong, or give the visit the restoration_id of the earlier filling.",
        ),
        K::VisitAfterLoss => page(
            "The filling is seen in place at a visit after the one that says it was lost, replaced or taken out.",
            "A lost filling doesn't come back. Mostly it was placed anew, and the new one is a filling of its own with a clock of its own.",
            "If it was placed anew, enter a placement with a new restoration_id and give it this visit. \
             If it never was lost, correct the earlier visit.",
        ),
        K::SeenAfterDeath => page(
            "A filling is examined on a day after the patient is said to have died.",
            "One of the two is wrong; most often two patients were mixed up, or the day of the news was taken for the day of death.",
            "Correct the day, the patient or the outcome. Where nobody looked and the row only passes on the news, write reported under source.",
        ),
        K::ScoredThoughLost => page(
            "The filling is lost at this visit, and yet scored for something that only a filling has, such as its colour.",
            "The share of good colours is counted among the fillings that are there. A lost one among them would flatter or blame without cause.",
            "Empty these cells, or correct the retention score. Sensitivity and caries may be scored after a loss: they concern the tooth.",
        )
        .with("retention C, colour A (usphs_3)", "retention C, colour empty"),
        K::OutcomeContradictsRetention => page(
            "The outcome says that the filling is there and the retention score says that it isn't, or the other way round; \
             or it is said to have been lost on a day before it was last seen in place.",
            "Loss of retention is the headline of a review. Whichever of the two were believed, a curve would rest on a contradiction.",
            "Look up the visit, and correct the outcome, the score or the day. \
             Write outcome_on only if the patient really knows the day.",
        )
        .with("retention C, outcome in_place (usphs_3)", "retention C, outcome lost"),
        K::OutcomeAfterVisit => page(
            "The outcome is dated after the visit that tells of it, or before the filling was placed.",
            "The day decides how long the filling lasted.",
            "Correct the day, or leave outcome_on empty: the visit's own day is then used.",
        ),
        K::OverlappingPlacement => page(
            "A filling was placed on a surface on which an earlier one is still in place as far as the records tell.",
            "The earlier filling must have ended somehow. Left open, it counts as a success although it may have been lost.",
            "Enter a visit for the earlier filling, with outcome lost or replaced and the reason. \
             If the two are on different surfaces or teeth, correct that.",
        ),
        K::ContradictoryTechnique => page(
            "The class of the adhesive and the etch strategy can't go together: an etch-and-rinse adhesive needs acid on enamel and dentine.",
            "These are the two choices that are compared most. A wrong pair puts the filling into a group where it doesn't belong.",
            "Correct whichever is wrong. A universal adhesive has the class universal, whichever way it was used.",
        )
        .with("self_etch with three_step_etch_and_rinse", "etch_and_rinse with three_step_etch_and_rinse"),
        K::VisitsDiffer => page(
            "One restoration has two rows for the same day and the same examiner, and they differ.",
            "Only one can be what was seen. Taking either unasked would be a guess.",
            "Keep the right row and delete the other, or correct the day. If a second examiner looked, name both.",
        ),
        K::RepairAsPlacement => page(
            "A second filling was placed on the same surface shortly after the first, which was never lost.",
            "It may be a repair. Counted as a new filling, the first would seem to have lasted and the second would start a clock that it hasn't earned.",
            "If it was a repair, enter a visit with outcome repaired for the first one and delete the second placement. \
             If the first was lost or taken out, enter that as a visit. How short “shortly” is stands in the protocol (repair_within_days).",
        ),
        K::OtherFilling => page(
            "The registry keeps a placement with this id, and two or more of patient, tooth and day placed are others here.",
            "It is hardly the same filling: two practices or two programs may number alike. Taken as a correction, it would put one \
             filling in the place of another, with the other's visits.",
            "Put something of the source before every restoration_id and patient_id of one of them, in placements and visits alike. If it \
             is the same filling after all, correct patient, tooth and day one at a time, each with --correct.",
        )
        .with("1, 2, 3 in two practices", "north-1, north-2, north-3 in one of them"),
        K::KeptRowDiffers => page(
            "The registry already keeps this placement, or this visit by the same examiner on the same day, with other values.",
            "Only one of the two can be right, and what was accepted once is not changed in passing.",
            "If the new row corrects the old one, ingest it with --correct: both stay in the history, and the new one counts. \
             If it is a slip, correct the row or take it out.",
        ),
        K::NotationUnsettled => page(
            "Every tooth of the file could be meant in either notation: 11 to 18, 21 to 28, 31 and 32 exist in both, for other teeth.",
            "They are taken as ISO 3950. If they are Universal numbers, every tooth of the file is the wrong one.",
            "Declare the notation of the file in records.toml, and the finding is settled.",
        )
        .with("(nothing declared)", "tooth_notation = \"iso_3950\""),
        K::DayReckoned => page(
            "The file has no day for a visit, and records.toml says that it was so many months after the placement.",
            "The day is a reckoning: curves step at round months, and a visit that was late looks punctual.",
            "If the practice knows the day, add a column for it and name it as visited_on under [[files.visits]].",
        ),
        K::MergedCells => page(
            "Cells of the sheet are merged over several rows or columns, and the value was taken for each of them.",
            "That is what merging usually means, but a title or a note that was merged by chance would be copied too.",
            "Split the cells in the spreadsheet and fill each row, so that every row stands on its own.",
        ),
        K::DeclarationUnused => page(
            "A single file was given, and the records.toml beside it speaks of other files only; or an entry with an asterisk fits no file of the folder.",
            "Notation, units and terms that are declared there don't hold for this file. If it is the same export under another name, they should.",
            "Name the file in records.toml, or give the declaration that belongs to it with --declaration.",
        ),
        K::MayBeAName => page(
            "The patient's id is a single word with a capital letter, as a surname is.",
            "Who a patient is must not enter: the records are kept for decades and shown to others.",
            "Use a pseudonym, such as a number that only the practice can trace. If the word is one already, leave it.",
        )
        .with("Miller", "P-017"),
        K::PseudonymGiven => page(
            "The files hold pseudonyms that a registry made (px-…), most likely because they are an export.",
            "They are kept as they are. A patient's own id finds them only if this registry has the key that made them.",
            "To move records into a new registry, start it with the same key file, and withdrawals will find them. \
             If the key is another one, give the pseudonym itself when a patient withdraws.",
        ),
        K::MayBeEmpty => page(
            "A cell of text holds what many programs write where nothing was entered: NA, a dash, a point.",
            "It is kept as it stands, so it counts as an operator, a lot or a level of its own.",
            "If it means that nothing was entered, declare it in records.toml, and every such cell of the file is read as empty. \
             If it is a code of yours, leave it.",
        )
        .with("operator: NA", "empty = [\"NA\"]"),
        K::LookAlike => page(
            "A cell holds a letter or sign that is easily taken for a digit: O for 0, l or I for 1, or digits of a wider type.",
            "It was read as the digit, since nothing else is possible there; the finding lets you see that it happened.",
            "Write the cell in plain digits. If the letter meant something else, correct the cell.",
        )
        .with("l4", "14"),
        K::IdenticalRow => page(
            "Two rows are the same to the letter, or the same visit is written twice.",
            "It is counted once, so the numbers are not changed. Many such rows may mean that an export was pasted twice.",
            "Nothing needs mending. If you want the files tidy, delete one of the two.",
        ),
        K::ImplausibleValue => page(
            "The number is possible, but seldom seen at the chair.",
            "It is kept and used. If it is a slip, it will blur a comparison by that column.",
            "Check it against the notes of the visit. If it is right, leave it as it is.",
        )
        .with("lesion_depth_mm: 3.5", "3.5 if it was so deep; 0.35 if the point slipped"),
        K::PrimaryTooth => page(
            "The filling is in a primary (milk) tooth.",
            "What is known of cervical fillings concerns permanent teeth, and a primary tooth is lost by nature. It is kept and counted with the rest.",
            "Check that the number is right. If it is, leave it.",
        ),
        K::OffLabelTechnique => page(
            "A self-etch adhesive is recorded after dentine was etched with phosphoric acid.",
            "Such adhesives are not made for etched dentine. It may have been done, or the etch strategy was meant to be selective enamel etching.",
            "Check the notes. If only enamel was etched, write selective_enamel_etch; if it is right, leave it.",
        ),
        K::EtchStrategyMissing => page(
            "A universal adhesive is recorded without the etch strategy.",
            "It can be used in three ways, which are what most comparisons are about. The filling is kept, but has no group when etch strategies are compared.",
            "Fill etch_strategy if the notes tell. Never fill it in from habit: an honest gap is better than a guess.",
        ),
        K::OwnWorkScored => page(
            "The examiner is the one who placed the filling.",
            "Nobody is strict with their own work. The scores are used, and the review says how many there are.",
            "Nothing needs mending. Where it can be arranged, let a colleague score some of the recalls.",
        ),
        K::TwoExaminers => page(
            "Two examiners scored the same filling on the same day.",
            "That is good practice. Where they differ, the worse finding counts, so that nothing is flattered.",
            "Nothing needs mending, unless one of the two didn't look.",
        ),
        K::CariousLesion => page(
            "The filling was placed because of decay, not of wear.",
            "It is another kind of case: there is often an undercut, and the patient's risk differs. It is analysed with the rest unless you part them.",
            "If the cause is right, leave it. “manebit review FOLDER --by aetiology” shows the two apart.",
        ),
        K::LossReported => page(
            "That the filling ended is known from what somebody said, and nobody looked.",
            "Patients can take a chip for a loss, or one tooth for another. The end is counted, and the review says how many are known this way.",
            "Nothing needs mending. If the tooth is seen later, enter that visit too.",
        ),
        K::ReplacedUnknown => page(
            "The filling is said to replace one that is not in the records, or itself.",
            "The chain from one filling to the next can't be followed, and a comparison doesn't know whether this one replaces another. Its \
             own numbers are not changed.",
            "Write yes if an unrecorded filling was there before, no if not, or the restoration_id of the one it replaces.",
        ),
        K::SpellingsDiffer => page(
            "Two names are the same but for capitals, spaces or the way letters are stored.",
            "They are counted as two. One patient counted as two makes the intervals look more certain than they are; \
             one operator counted as two splits a group.",
            "If they are the same, write both alike. If they aren't, leave them.",
        )
        .with("P-017 and p-017", "P-017 in both rows"),
        K::NoVisits => page(
            "There are placements and not a single visit.",
            "Nothing is known of how the fillings fared, so no survival can be estimated.",
            "Add a file of visits; it has a column visited_on. In the first months of a registry this is as it should be.",
        ),
        K::OwnColumnMissing => page(
            "The protocol names a column of your own, and no file of placements has it.",
            "Comparisons by that column are left out.",
            "Write the name alike in the protocol and in the files; capitals and spaces count. \
             If the column is no longer kept, take it out of own_factors.",
        ),
        K::LegacyUndeclared => page(
            "The filling was first seen years after it was placed.",
            "Perhaps it was there before records began. Fillings that had been lost by then can't appear, \
             so counting it from its placement would make fillings seem to last longer than they do.",
            "If its record began later, write that day under entered_on; it then counts from that day on. \
             If it was followed from the start and the patient just stayed away, leave it.",
        )
        .with("placed_on 2012-04-02, first visit 2019-06-11", "the same, with entered_on 2019-06-11"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(kind: FindingKind) -> String {
        let page = finding_page(kind);
        format!("{} {} {}", page.about, page.matters, page.mend)
    }

    #[test]
    fn every_page_has_three_to_eight_sentences() {
        for &kind in FindingKind::ALL {
            let sentences = text(kind).split_inclusive(['.', '?']).filter(|part| part.ends_with(['.', '?'])).count();
            // A point inside a file name or a number counts too, so the upper end is a little wide.
            assert!((3..=10).contains(&sentences), "{}: {sentences}", kind.code());
            let page = finding_page(kind);
            assert!([page.about, page.matters, page.mend].iter().all(|part| part.ends_with('.')), "{}", kind.code());
        }
    }

    #[test]
    fn pages_are_plain_text_and_all_different() {
        let mut pages: Vec<String> = FindingKind::ALL.iter().map(|&kind| text(kind)).collect();
        assert!(pages.iter().all(|page| !page.contains("  ") && !page.contains('\n')));
        pages.sort();
        pages.dedup();
        assert_eq!(pages.len(), FindingKind::ALL.len());
    }
}
