//! Starts manebit.

fn main() {}
