//! `estimate`: times to failure from any field, through the same engine.

use super::answering::{Telling, disordered, misused, read, tell};
pub use super::estimate_arguments::EstimateArguments;
use super::estimate_asked::asked;
use super::exit::Exit;
use super::reading::{Stop, ended, progress};
use crate::estimate::data::{make_ready, wanted_columns};
use crate::estimate::{answer, text};

/// Runs `estimate`.
pub fn run(arguments: &EstimateArguments) -> Exit {
    ended(try_run(arguments).map(|()| Exit::Done))
}

fn try_run(arguments: &EstimateArguments) -> Result<(), Stop> {
    let mut asked = asked(arguments)?;
    let read = read(&arguments.table, &wanted_columns(&asked), &arguments.cells)?;
    progress("estimating");
    let data = make_ready(&mut asked, read, arguments.leave_out_incomplete).map_err(disordered)?;
    let answers = answer::answer(&mut asked, &data).map_err(misused)?;
    let telling = Telling { json: arguments.json, out: arguments.out.clone() };
    tell(&telling, &answers, || text::table(&answers))
}
