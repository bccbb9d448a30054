//! Work spread over threads: results in the order of the items, whatever the number of threads.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;

use super::stop::Stop;
use crate::error::{Error, Kind, Result};

/// A number of threads.
pub struct Pool {
    threads: Option<rayon::ThreadPool>,
}

impl Pool {
    /// `jobs` threads; for one, or where the system has none to give, the caller's own.
    pub fn new(jobs: usize) -> Self {
        let build = || rayon::ThreadPoolBuilder::new().num_threads(jobs).build();
        Self {
            threads: (jobs > 1).then(build).and_then(|threads| threads.ok()),
        }
    }

    /// Calls `work` once for every item, those with the largest `weight` first, so that a long file
    /// is not left for the end. A panic costs its item only; after a stop the rest is not begun.
    /// What met a shortage of open files or memory is tried again, alone.
    pub fn map<T: Sync, R: Send>(
        &self,
        items: &[T],
        stop: &Stop,
        weight: impl Fn(&T) -> u64,
        work: impl Fn(&T) -> Result<R> + Sync,
    ) -> Vec<Result<R>> {
        let mut order: Vec<usize> = (0..items.len()).collect();
        order.sort_by_key(|&i| std::cmp::Reverse(weight(&items[i])));
        let results: Vec<Mutex<Option<Result<R>>>> =
            items.iter().map(|_| Mutex::new(None)).collect();
        let run = |i: usize| {
            let result = stop.check().and_then(|()| guarded(|| work(&items[i])));
            if let Err(error) = &result
                && error.kind == Kind::Environment
            {
                stop.environment();
            }
            *results[i]
                .lock()
                .expect("no panic while a result is stored") = Some(result);
        };
        match &self.threads {
            Some(threads) => threads.scope_fifo(|scope| {
                for &i in &order {
                    let run = &run;
                    scope.spawn_fifo(move |_| run(i));
                }
            }),
            None => order.iter().for_each(|&i| run(i)),
        }
        let mut results: Vec<Result<R>> = results
            .into_iter()
            .map(|slot| {
                slot.into_inner()
                    .expect("no panic while a result is stored")
                    .expect("every item was run")
            })
            .collect();
        for (item, result) in items.iter().zip(&mut results) {
            if result.as_ref().is_err_and(|e| e.kind == Kind::Scarce) {
                *result = (stop.check().and_then(|()| guarded(|| work(item)))).map_err(|error| {
                    let kind = match error.kind {
                        Kind::Scarce => Kind::File,
                        kind => kind,
                    };
                    Error { kind, ..error }
                });
            }
        }
        results
    }
}

/// Turns a panic into an error of its file.
fn guarded<R>(work: impl FnOnce() -> Result<R>) -> Result<R> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|payload| {
        let text = payload
            .downcast_ref::<String>()
            .map(String::as_str)
            .or_else(|| payload.downcast_ref::<&str>().copied())
            .unwrap_or("no message");
        Err(
            Error::new(Kind::File, format!("a defect in batterhead: {text}"))
                .hint("please report it with the file; the other files are not affected"),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_come_in_the_order_of_the_items_and_a_panic_costs_its_item() {
        let items: Vec<u64> = (0..100).collect();
        for jobs in [1, 2, 8] {
            let results = Pool::new(jobs).map(
                &items,
                &Stop::default(),
                |&i| i * 7 % 13,
                |&i| {
                    if i == 42 {
                        panic!("broken at {i}")
                    } else {
                        Ok(i * 2)
                    }
                },
            );
            for (i, result) in results.iter().enumerate() {
                match result {
                    Ok(value) => assert_eq!(*value, items[i] * 2),
                    Err(error) => assert!(i == 42 && error.reason.contains("broken at 42")),
                }
            }
        }
    }

    #[test]
    fn what_met_a_shortage_is_tried_again_alone() {
        let tries: Vec<Mutex<u32>> = (0..9).map(|_| Mutex::new(0)).collect();
        let results = Pool::new(4).map(
            &[0usize, 1, 2, 3, 4, 5, 6, 7, 8],
            &Stop::default(),
            |_| 1,
            |&i| {
                let mut tries = tries[i].lock().unwrap();
                *tries += 1;
                match (i, *tries) {
                    (8, _) | (_, 1) if i > 5 => Err(Error::new(Kind::Scarce, "no more files")),
                    _ => Ok(*tries),
                }
            },
        );
        let counts: Vec<_> = results.iter().map(|r| r.as_ref().ok().copied()).collect();
        let (once, twice) = (Some(1), Some(2));
        assert_eq!(
            counts,
            [once, once, once, once, once, once, twice, twice, None]
        );
        assert_eq!(results[8].as_ref().unwrap_err().kind, Kind::File);
    }

    #[test]
    fn nothing_is_begun_after_a_stop() {
        let stop = Stop::default();
        stop.interrupt();
        let results = Pool::new(2).map(&[1, 2, 3], &stop, |_| 1, |&i| Ok(i));
        assert!(
            results
                .iter()
                .all(|r| r.as_ref().is_err_and(|e| e.kind == Kind::Interrupted))
        );
    }
}
