//! Work shared among threads, with results in the order of the items.
//!
//! Decided.     How the work is cut into items depends on the data alone wherever results are summed that rounding touches, and
//!              what the items give is put together in their order: so the sums are the same bytes whatever the number of threads.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

/// How many threads can run at once.
pub(crate) fn available() -> usize {
    thread::available_parallelism().map_or(1, usize::from)
}

/// What `work` gives for each of the items, in their order, on so many threads; each takes as many neighbouring items.
pub(crate) fn on_threads<I: Send, T: Send>(items: Vec<I>, threads: usize, work: impl Fn(I) -> T + Sync) -> Vec<T> {
    if threads < 2 || items.len() < 2 {
        return items.into_iter().map(work).collect();
    }
    let share = items.len().div_ceil(threads);
    let mut items = items.into_iter();
    thread::scope(|scope| {
        let work = &work;
        let own: Vec<I> = items.by_ref().take(share).collect();
        let mut handles = Vec::new();
        loop {
            let part: Vec<I> = items.by_ref().take(share).collect();
            if part.is_empty() {
                break;
            }
            handles.push(scope.spawn(move || part.into_iter().map(work).collect::<Vec<T>>()));
        }
        let mut results: Vec<T> = own.into_iter().map(work).collect();
        for handle in handles {
            match handle.join() {
                Ok(part) => results.extend(part),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        results
    })
}

/// What `work` gives for each of the items, in their order, on so many threads; each takes the next one that nobody has taken, so that
/// items of unequal work keep all of them busy.
pub(crate) fn in_turn<I: Sync, T: Send>(items: &[I], threads: usize, work: impl Fn(&I) -> T + Sync) -> Vec<T> {
    if threads < 2 || items.len() < 2 {
        return items.iter().map(work).collect();
    }
    let next = AtomicUsize::new(0);
    let take = || {
        let mut done: Vec<(usize, T)> = Vec::new();
        loop {
            let place = next.fetch_add(1, Ordering::Relaxed);
            let Some(item) = items.get(place) else { return done };
            done.push((place, work(item)));
        }
    };
    let mut done = thread::scope(|scope| {
        let handles: Vec<_> = (1..threads.min(items.len())).map(|_| scope.spawn(take)).collect();
        let mut done = take();
        for handle in handles {
            match handle.join() {
                Ok(part) => done.extend(part),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        done
    });
    done.sort_unstable_by_key(|(place, _)| *place);
    done.into_iter().map(|(_, result)| result).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_come_in_order_whatever_the_threads() {
        let expected: Vec<usize> = (0..23).map(|i| i * i).collect();
        for threads in 1..9 {
            assert_eq!(on_threads((0..23).collect(), threads, |i: usize| i * i), expected);
            assert_eq!(in_turn(&(0..23).collect::<Vec<usize>>(), threads, |i| i * i), expected);
        }
        assert_eq!(on_threads(Vec::<usize>::new(), 2, |i| i), Vec::<usize>::new());
    }
}
