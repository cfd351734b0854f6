//! Starts manebit.

/// Gives memory back that tables no longer take, so that a long run of parts takes no more than a short one.
#[global_allocator]
static ALLOCATOR: tikv_jemallocator::Jemalloc = tikv_jemallocator::Jemalloc;

fn main() -> manebit::command::exit::Exit {
    manebit::command::run()
}
