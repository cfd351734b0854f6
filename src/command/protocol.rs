//! `protocol`: the built-in protocol, to copy and change.

use super::exit::Exit;
use super::say;
use crate::protocol::Protocol;

/// Runs `protocol`.
pub fn run() -> Exit {
    say(Protocol::BUILT_IN_TEXT);
    Exit::Done
}
