//! Starts manebit.

fn main() -> manebit::command::exit::Exit {
    manebit::command::run()
}
