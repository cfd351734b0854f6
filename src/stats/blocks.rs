//! Work cut into fixed blocks and shared among threads, with results in the order of the blocks.
//!
//! Decided.     Where blocks begin and end depends on the data alone, and what blocks give is put together in their order, so
//!              that sums are the same bytes whatever the number of threads.

use std::thread;

/// The most threads that are used: past some eight, memory is what limits these passes.
const MOST_THREADS: usize = 8;

/// What `work` gives for each of the items, in their order; on several threads if `many`.
pub(super) fn in_order<I: Send, T: Send>(items: Vec<I>, many: bool, work: impl Fn(I) -> T + Sync) -> Vec<T> {
    let threads = if many { thread::available_parallelism().map_or(1, usize::from).min(MOST_THREADS) } else { 1 };
    on_threads(items, threads, work)
}

fn on_threads<I: Send, T: Send>(items: Vec<I>, threads: usize, work: impl Fn(I) -> T + Sync) -> Vec<T> {
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

/// Σ a·b, in eight lanes.
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut lanes = [0.0; 8];
    let (a_chunks, b_chunks) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f64 = a_chunks.remainder().iter().zip(b_chunks.remainder()).map(|(a, b)| a * b).sum();
    for (a, b) in a_chunks.zip(b_chunks) {
        for lane in 0..8 {
            lanes[lane] += a[lane] * b[lane];
        }
    }
    ((lanes[0] + lanes[4]) + (lanes[1] + lanes[5])) + ((lanes[2] + lanes[6]) + (lanes[3] + lanes[7])) + rest
}

/// Σ a, in eight lanes.
pub(super) fn sum(a: &[f64]) -> f64 {
    let mut lanes = [0.0; 8];
    let chunks = a.chunks_exact(8);
    let rest: f64 = chunks.remainder().iter().sum();
    for a in chunks {
        for lane in 0..8 {
            lanes[lane] += a[lane];
        }
    }
    ((lanes[0] + lanes[4]) + (lanes[1] + lanes[5])) + ((lanes[2] + lanes[6]) + (lanes[3] + lanes[7])) + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_come_in_order_whatever_the_threads() {
        let expected: Vec<usize> = (0..23).map(|i| i * i).collect();
        for threads in 1..9 {
            assert_eq!(on_threads((0..23).collect(), threads, |i: usize| i * i), expected);
        }
        assert_eq!(in_order(Vec::<usize>::new(), true, |i| i), Vec::<usize>::new());
    }

    #[test]
    fn lanes_and_rest_are_all_summed() {
        let numbers: Vec<f64> = (1..=21).map(f64::from).collect();
        assert_eq!(
            (sum(&numbers).to_bits(), dot(&numbers, &numbers).to_bits()),
            (231.0_f64.to_bits(), 3311.0_f64.to_bits())
        );
    }
}
