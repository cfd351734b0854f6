//! Work shared among threads, with results in the order of the items.
//!
//! Decided.     How the work is cut into items depends on the data alone wherever results are summed that rounding touches, and
//!              what the items give is put together in their order: so the sums are the same bytes whatever the number of threads.

use std::collections::BTreeMap;
use std::ops::Range;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{channel, sync_channel};
use std::sync::{Mutex, PoisonError};
use std::thread;

/// How many threads are to run whatever the machine has and however little there is to do: in builds for tests, `MANEBIT_THREADS`.
pub(crate) fn wanted() -> Option<usize> {
    #[cfg(debug_assertions)]
    if let Some(threads) = std::env::var("MANEBIT_THREADS").ok().and_then(|threads| threads.parse().ok()) {
        return Some(threads);
    }
    None
}

/// How many threads can run at once.
pub(crate) fn available() -> usize {
    if let Some(threads) = wanted() {
        return threads;
    }
    thread::available_parallelism().map_or(1, usize::from)
}

/// So many neighbouring stretches of items, each as long as the others or one item longer.
pub(crate) fn even_parts(items: usize, parts: usize) -> Vec<Range<usize>> {
    (0..parts).map(|part| items * part / parts..items * (part + 1) / parts).collect()
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
    let keep = |done: &mut Vec<(usize, T)>, place: usize, item: &I| done.push((place, work(item)));
    let mut done = gathered(items, threads, Vec::new, keep).into_iter().flatten().collect::<Vec<_>>();
    done.sort_unstable_by_key(|(place, _)| *place);
    done.into_iter().map(|(_, result)| result).collect()
}

/// What so many threads gathered from the items, each in a state of its own, made by `state`; each takes the next item that nobody has
/// taken, with its place. Which items are in which state is left to chance, so states must add up to the same whatever it is.
pub(crate) fn gathered<I: Sync, S: Send>(
    items: &[I],
    threads: usize,
    state: impl Fn() -> S + Sync,
    work: impl Fn(&mut S, usize, &I) + Sync,
) -> Vec<S> {
    let next = AtomicUsize::new(0);
    let gather = || {
        let mut own = state();
        loop {
            let place = next.fetch_add(1, Ordering::Relaxed);
            let Some(item) = items.get(place) else { return own };
            work(&mut own, place, item);
        }
    };
    thread::scope(|scope| {
        let handles: Vec<_> = (1..threads.min(items.len())).map(|_| scope.spawn(gather)).collect();
        let own = gather();
        let others = handles.into_iter().map(|handle| handle.join().unwrap_or_else(|panic| resume_unwind(panic)));
        std::iter::once(own).chain(others).collect()
    })
}

/// Items under way for each thread, at most: one that it works on, and one that waits.
const UNDER_WAY: usize = 2;

/// Gives what `work` makes of items, which come one after the other, to `take` in their order; each of so many threads works with a
/// state of its own, made by `state`, on which results may not depend. A few items are under way at once, however many there are.
///
/// # Errors
/// What `take` says, after which no more items are asked for.
pub(crate) fn as_they_come<I: Send, S, T: Send, E>(
    threads: usize,
    next: impl FnMut() -> Option<I>,
    state: impl Fn() -> S + Sync,
    work: impl Fn(&mut S, I) -> T + Sync,
    mut take: impl FnMut(T) -> Result<(), E>,
) -> Result<(), E> {
    let mut items = std::iter::from_fn(next).fuse();
    let first = items.next();
    let mut items = items.peekable();
    if threads < 2 || items.peek().is_none() {
        let mut state = state();
        return first.into_iter().chain(items).try_for_each(|item| take(work(&mut state, item)));
    }
    let mut items = first.into_iter().chain(items);
    let (jobs, waiting) = sync_channel::<(usize, I)>(threads * UNDER_WAY);
    let (waiting, state, work) = (&Mutex::new(waiting), &state, &work);
    thread::scope(|scope| {
        // Threads end when this goes.
        let jobs = jobs;
        let (done, results) = channel();
        for _ in 0..threads {
            let done = done.clone();
            scope.spawn(move || {
                let mut state = state();
                loop {
                    let job = waiting.lock().unwrap_or_else(PoisonError::into_inner).recv();
                    let Ok((place, item)) = job else { break };
                    let result = catch_unwind(AssertUnwindSafe(|| work(&mut state, item)));
                    if done.send((place, result)).is_err() {
                        break;
                    }
                }
            });
        }
        drop(done);
        let mut early: BTreeMap<usize, T> = BTreeMap::new();
        let (mut sent, mut taken) = (0, 0);
        loop {
            while sent < taken + threads * UNDER_WAY
                && let Some(item) = items.next()
                && jobs.send((sent, item)).is_ok()
            {
                sent += 1;
            }
            if taken == sent {
                return Ok(());
            }
            let Ok((place, result)) = results.recv() else { return Ok(()) };
            early.insert(place, result.unwrap_or_else(|panic| resume_unwind(panic)));
            while let Some(result) = early.remove(&taken) {
                taken += 1;
                take(result)?;
            }
        }
    })
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

    #[test]
    fn what_is_gathered_adds_up_whatever_the_threads() {
        let items: Vec<u64> = (0..1_000).collect();
        for threads in 1..6 {
            let gathered =
                gathered(&items, threads, || (0, 0), |(sum, met), _, item| (*sum, *met) = (*sum + item, *met + 1));
            assert!((1..=threads).contains(&gathered.len()));
            let all = gathered.iter().fold((0, 0), |(sum, met), (own, items)| (sum + own, met + items));
            assert_eq!(all, (499_500, 1_000));
            assert_eq!(super::gathered(&Vec::<u64>::new(), threads, || 7, |_, _, _| {}), [7]);
        }
    }

    #[test]
    fn items_that_come_one_after_the_other_keep_their_order() {
        for (threads, items) in [(1, 50), (2, 0), (2, 1), (3, 2), (4, 500)] {
            let mut numbers = 0..items;
            let mut taken = Vec::new();
            let work = |seen: &mut usize, i: usize| {
                *seen += 1;
                if i.is_multiple_of(7) {
                    thread::yield_now();
                }
                i * i
            };
            let take = |square| {
                taken.push(square);
                Ok::<(), ()>(())
            };
            assert_eq!(as_they_come(threads, || numbers.next(), || 0_usize, work, take), Ok(()));
            assert_eq!(taken, (0..items).map(|i| i * i).collect::<Vec<usize>>());
        }
    }

    #[test]
    fn who_takes_can_stop_it() {
        for threads in [1, 3] {
            let (mut numbers, mut taken) = (0.., 0);
            let take = |i: usize| {
                taken += 1;
                if i == 20 { Err("enough") } else { Ok(()) }
            };
            assert_eq!(as_they_come(threads, || numbers.next(), || (), |(), i| i, take), Err("enough"));
            assert_eq!(taken, 21);
        }
    }

    #[test]
    #[should_panic(expected = "item 5")]
    fn a_panic_of_a_thread_is_no_silence() {
        let mut numbers = 0..40;
        let work = |(): &mut (), i: usize| assert_ne!(i, 5, "item {i}");
        let _ = as_they_come(2, || numbers.next(), || (), work, |()| Ok::<(), ()>(()));
    }
}
