//! The threads of a study: each takes the next run as soon as it is done with one, and whoever
//! finishes a part writes it, while the others go on.
//!
//! No thread waits for the slowest run of a part. Runs are taken in order, and no more than
//! [`AHEAD`] parts are open at once, so memory does not grow with the study.

use std::collections::BTreeMap;
use std::sync::{Condvar, Mutex, PoisonError};

use crate::error::{Error, Result};

/// Parts that may be begun before the oldest of them is written.
const AHEAD: usize = 4;

/// One part: its number and its runs.
pub type Part = (u64, std::ops::Range<u64>);

/// What the threads share.
struct State<T> {
    /// The part that runs are taken from, in the list of parts, and the next of its runs.
    next: (usize, u64),
    /// What is there of the parts that were begun, by their place in that list.
    open: BTreeMap<usize, Vec<(u64, T)>>,
    /// The first run that failed, and why.
    failed: Option<(u64, Error)>,
}

/// Makes every run of `parts` with `make` on all threads of the pool that this is called in, and
/// hands each whole part to `write`, its runs in order. `make` gets a value that a thread keeps from
/// run to run.
///
/// # Errors
/// The first that `make` or `write` told; parts written before stay.
pub fn work<T: Send, K: Default>(
    parts: &[Part],
    make: impl Fn(&mut K, u64) -> Result<T> + Sync,
    write: impl Fn(u64, &[T]) -> Result<()> + Sync,
) -> Result<()> {
    let state = Mutex::new(State {
        next: (0, parts.first().map_or(0, |p| p.1.start)),
        open: BTreeMap::new(),
        failed: None,
    });
    let written = Condvar::new();
    // A thread that panicked takes the program with it: the pool hands its panic on.
    let lock = || state.lock().unwrap_or_else(PoisonError::into_inner);
    let fail = |run: u64, error: Error| {
        let mut state = lock();
        if state.failed.as_ref().is_none_or(|f| run < f.0) {
            state.failed = Some((run, error));
        }
        written.notify_all();
    };
    // The next run and its part; none when all are taken or one failed.
    let take = || -> Option<(usize, u64)> {
        let mut state = lock();
        loop {
            let (index, run) = state.next;
            let (_, runs) = parts.get(index)?;
            if state.failed.is_some() {
                return None;
            }
            if run >= runs.end {
                state.next = (index + 1, parts.get(index + 1).map_or(0, |p| p.1.start));
                continue;
            }
            let oldest = state.open.keys().next().copied().unwrap_or(index);
            if index < oldest + AHEAD {
                state.open.entry(index).or_default();
                state.next.1 = run + 1;
                return Some((index, run));
            }
            state = written.wait(state).unwrap_or_else(PoisonError::into_inner);
        }
    };
    // The runs of a part, in order, once all are there.
    let whole = |index: usize, run: u64, made: T| -> Option<Vec<T>> {
        let (_, runs) = parts.get(index)?;
        let mut state = lock();
        let rows = state.open.get_mut(&index)?;
        rows.push((run, made));
        if rows.len() as u64 != runs.end - runs.start {
            return None;
        }
        let mut rows = state.open.remove(&index)?;
        written.notify_all();
        drop(state);
        rows.sort_by_key(|r| r.0);
        Some(rows.into_iter().map(|r| r.1).collect())
    };
    rayon::broadcast(|_| {
        let mut kept = K::default();
        while let Some((index, run)) = take() {
            let done = make(&mut kept, run).and_then(|made| match whole(index, run, made) {
                Some(rows) => write(parts.get(index).map_or(0, |p| p.0), &rows),
                None => Ok(()),
            });
            if let Err(error) = done {
                fail(run, error);
            }
        }
    });
    match state
        .into_inner()
        .unwrap_or_else(PoisonError::into_inner)
        .failed
    {
        Some((_, error)) => Err(error),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pool(threads: usize) -> rayon::ThreadPool {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads);
        pool.build().expect("threads")
    }

    #[test]
    fn every_run_is_made_once_and_parts_come_whole_and_in_order() {
        // One part is missing from the middle, one is empty, the last is short.
        let parts: Vec<Part> = vec![(0, 0..10), (1, 10..20), (3, 30..30), (4, 40..43)];
        for threads in [1, 2, 5] {
            let got = Mutex::new(BTreeMap::new());
            let made = Mutex::new(Vec::new());
            let work = || {
                work(
                    &parts,
                    |so_far: &mut u64, run| {
                        *so_far += 1;
                        made.lock().expect("sound").push(run);
                        // The first of each part takes longest, so others come in before it.
                        if run % 10 == 0 {
                            std::thread::yield_now();
                        }
                        Ok(run)
                    },
                    |part, rows| {
                        let before = got.lock().expect("sound").insert(part, rows.to_vec());
                        assert_eq!(before, None, "part {part} came twice");
                        Ok(())
                    },
                )
            };
            pool(threads).install(work).expect("it works");
            let mut made = made.into_inner().expect("sound");
            made.sort_unstable();
            let runs: Vec<u64> = (0..20).chain(40..43).collect();
            assert_eq!(made, runs);
            let got = got.into_inner().expect("sound");
            let want = [
                (0, (0..10).collect::<Vec<u64>>()),
                (1, (10..20).collect()),
                (4, (40..43).collect()),
            ];
            assert_eq!(got, BTreeMap::from(want));
        }
    }

    #[test]
    fn a_failure_ends_it_and_what_was_written_stays() {
        let parts: Vec<Part> = (0..50).map(|p| (p, p * 4..p * 4 + 4)).collect();
        let written = Mutex::new(Vec::new());
        let result = pool(2).install(|| {
            work(
                &parts,
                |_: &mut (), run| match run {
                    41 => Err(Error::Internal("run 41".into())),
                    _ => Ok(run),
                },
                |part, _| {
                    written.lock().expect("sound").push(part);
                    Ok(())
                },
            )
        });
        assert!(
            result
                .expect_err("it failed")
                .to_string()
                .contains("run 41")
        );
        let mut written = written.into_inner().expect("sound");
        written.sort_unstable();
        // All before it, and at most those that were open with it.
        assert!(
            written.starts_with(&(0..10).collect::<Vec<u64>>()),
            "{written:?}"
        );
        assert!(
            written.len() < 10 + AHEAD && !written.contains(&10),
            "{written:?}"
        );
    }

    #[test]
    fn a_slow_run_holds_the_others_back_before_memory_grows() {
        let parts: Vec<Part> = (0..100).map(|p| (p, p * 2..p * 2 + 2)).collect();
        let last = 2 * AHEAD as u64 - 1;
        let (reached, grew) = (Mutex::new(0), Condvar::new());
        let first = Mutex::new(None);
        pool(2)
            .install(|| {
                work(
                    &parts,
                    |_: &mut (), run| {
                        let mut most = reached.lock().expect("sound");
                        *most = run.max(*most);
                        grew.notify_all();
                        if run > 0 {
                            return Ok(run);
                        }
                        // Held until the other thread can go no further; then it gets a while.
                        while *most < last {
                            most = grew.wait(most).expect("sound");
                        }
                        drop(most);
                        (0..10_000).for_each(|_| std::thread::yield_now());
                        Ok(*reached.lock().expect("sound"))
                    },
                    |part, rows| {
                        if part == 0 {
                            *first.lock().expect("sound") = rows.first().copied();
                        }
                        Ok(())
                    },
                )
            })
            .expect("it works");
        assert_eq!(first.into_inner().expect("sound"), Some(last));
    }
}
