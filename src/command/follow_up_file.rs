//! The follow-up of each restoration as a table: what `review --follow-up` writes, and `watch`, `estimate` and other programs take.

use std::fs::File;
use std::io::{BufWriter, Read as _, Write as _};
use std::path::Path;

use super::exit::Exit;
use super::reading::{Stop, fault};
use crate::cohort::follow_up::follow_under_all;
use crate::cohort::{EndpointFollowUp, FactorLevels, Histories, factor_levels};
use crate::protocol::Protocol;
use crate::quantity::Day;
use crate::stats::Ending;
use crate::table::PlacementTable;
use crate::wording::{escape_spreadsheet, escape_terminal, system_said};

/// What is told of each restoration whatever the endpoint, in the order of the columns; factors follow.
const OWN: [&str; 6] = ["restoration_id", "patient_id", "tooth", "placed_on", "followed_from", "entry_days"];

/// The mark of UTF-8, by which spreadsheets know it.
const MARK: &str = "\u{feff}";

/// How such a table begins.
fn head() -> String {
    format!("{MARK}{},", OWN.join(","))
}

/// What is told under each endpoint, behind the endpoint's name: the day on which following ended, the days from placement until then, how
/// it ended (1 failure, 0 in place when last seen, 2 otherwise), and between which days after placement a failure lies: last seen without
/// it, first seen with it.
const UNDER_ENDPOINT: [&str; 5] = ["ended_on", "days", "ending", "last_in_place", "found"];

/// Refuses a place where such a table would do harm: among the records, which would be read with it, or over a file of another kind.
///
/// # Errors
/// What is wrong, and how to mend it.
pub fn may_be_written(path: &Path, records: &Path) -> Result<(), Stop> {
    let name = path.display().to_string();
    let name = escape_terminal(&name);
    let parent = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let is_same = |one: &Path, other: &Path| std::fs::canonicalize(one).ok().zip(std::fs::canonicalize(other).ok());
    if is_same(parent, records).is_some_and(|(parent, records)| parent == records) {
        let text = format!(
            "{name} would stand among the records and be read as one of them.\nMend: choose another folder with --follow-up.\n"
        );
        return Err(Stop(Exit::Usage, text));
    }
    // Anything but a file, such as a pipe, is written to as it is.
    if !path.is_file() {
        return Ok(());
    }
    let head = head();
    match File::open(path).map(|file| file.take(head.len() as u64)) {
        Ok(mut file) => {
            let mut there = Vec::new();
            let read = file.read_to_end(&mut there);
            if read.is_ok() && (there.is_empty() || there == head.as_bytes()) {
                return Ok(());
            }
            let text = format!(
                "{name} is another file, and no earlier table of follow-up; it is not replaced.\nMend: choose another name with --follow-up.\n"
            );
            Err(Stop(Exit::NotWritten, text))
        }
        // What else the system refuses it refuses again, and says so, when the table is written.
        Err(_) => Ok(()),
    }
}

/// Refuses to write single restorations under a protocol that hides what only few patients stand behind.
///
/// # Errors
/// That it does, and how to mend it.
pub fn may_be_told(protocol: &Protocol) -> Result<(), Stop> {
    if protocol.smallest_cell > 1 {
        return Err(Stop(
            Exit::Usage,
            "The protocol hides what only few patients stand behind (smallest_cell), so single restorations are not written.\n\
             Mend: leave out --follow-up, or use a protocol for the practice's own eyes.\n"
                .to_owned(),
        ));
    }
    Ok(())
}

/// Writes a row for each restoration that takes part; cells are empty under an endpoint that doesn't analyse it.
///
/// # Errors
/// When the system refuses.
pub fn write_follow_up(
    path: &Path,
    placements: &PlacementTable,
    histories: &Histories,
    protocol: &Protocol,
    factors: &[String],
) -> Result<(), Stop> {
    let mut levels: Vec<FactorLevels> = Vec::new();
    let named = factors.iter().chain(&protocol.own_factors).map(String::as_str).chain(["operator"]);
    for name in named.filter(|name| !OWN.contains(name)) {
        if levels.iter().all(|known| known.name != name) {
            levels.extend(factor_levels(name, &protocol.own_factors, placements, histories).map_err(fault)?);
        }
    }
    let follow_ups = follow_under_all(histories, &protocol.endpoints, protocol.failure_day);
    let rows = Rows { placements, histories, levels, follow_ups, protocol };
    let refused = |why: String| {
        let name = path.display().to_string();
        let text =
            format!("{} can't be written: {why}.\nMend: check the path given with --follow-up.\n", escape_terminal(&name));
        Stop(Exit::NotWritten, text)
    };
    let file = File::create(path).map_err(|error| refused(system_said(&error)))?;
    let mut out = BufWriter::new(file);
    out.write_all(MARK.as_bytes()).map_err(|error| refused(system_said(&error)))?;
    rows.write(csv::Writer::from_writer(out))?.map_err(|error| refused(error.to_string()))
}

struct Rows<'a> {
    placements: &'a PlacementTable,
    histories: &'a Histories,
    levels: Vec<FactorLevels>,
    follow_ups: Vec<EndpointFollowUp>,
    protocol: &'a Protocol,
}

impl Rows<'_> {
    fn header(&self) -> Vec<String> {
        let factors = self.levels.iter().map(|factor| factor.name.clone());
        let under = self
            .protocol
            .endpoints
            .iter()
            .flat_map(|endpoint| UNDER_ENDPOINT.iter().map(move |column| format!("{}_{column}", endpoint.name)));
        OWN.map(str::to_owned).into_iter().chain(factors).chain(under).collect()
    }

    /// What the CSV writer refused is inside.
    fn write<W: std::io::Write>(&self, mut writer: csv::Writer<W>) -> Result<Result<(), csv::Error>, Stop> {
        let Self { placements, histories, levels, follow_ups, .. } = self;
        let table = &placements.0;
        let text = |name: &str| table.text(name).map_err(fault);
        let (ids, patients) = (text("restoration_id")?, text("patient_id")?);
        let teeth = table.codes_in_place("tooth").map_err(fault)?;
        // Restorations of a follow-up rise, so the next one of each is known.
        let mut next = vec![0; follow_ups.len()];
        let mut write = || -> Result<(), csv::Error> {
            writer.write_record(self.header())?;
            for restoration in 0..histories.len() {
                let row = histories.placement_row[restoration] as usize;
                let (placed, entry) = (histories.placed[restoration], histories.entry[restoration]);
                let day = |after: i32| Day::from_epoch(placed + after).to_string();
                let escaped = |text: Option<&str>| escape_spreadsheet(text.unwrap_or_default()).into_owned();
                writer.write_field(escaped(ids.get(row)))?;
                writer.write_field(escaped(patients.get(row)))?;
                writer.write_field(teeth.get(row).to_string())?;
                writer.write_field(day(0))?;
                writer.write_field(day(entry))?;
                writer.write_field(entry.to_string())?;
                for factor in levels {
                    let level = factor.levels.get(usize::from(factor.codes[restoration]));
                    writer.write_field(escaped(level.map(|(code, _)| code.as_str())))?;
                }
                for (follow_up, next) in follow_ups.iter().zip(&mut next) {
                    if follow_up.restoration.get(*next).is_none_or(|place| *place as usize != restoration) {
                        UNDER_ENDPOINT.iter().try_for_each(|_| writer.write_field(""))?;
                        continue;
                    }
                    let (exit, ending) = (follow_up.observations.exit()[*next], follow_up.observations.ending()[*next]);
                    writer.write_field(day(exit))?;
                    writer.write_field(exit.to_string())?;
                    writer.write_field(match ending {
                        Ending::Failed => "1",
                        Ending::Censored => "0",
                        Ending::Competing => "2",
                    })?;
                    writer.write_field(follow_up.last_known_good(*next).to_string())?;
                    let found = follow_up.first_known_failed(*next).filter(|_| ending == Ending::Failed);
                    writer.write_field(found.map_or_else(String::new, |found| found.to_string()))?;
                    *next += 1;
                }
                writer.write_record(None::<&[u8]>)?;
            }
            writer.flush()?;
            Ok(())
        };
        Ok(write())
    }
}
