//! Work on all processors: the same on many captures, or on the parts of one, with the results in
//! their order.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;
use std::thread;

use crate::failure::Failure;

/// Captures that are being worked on.
static BUSY: AtomicUsize = AtomicUsize::new(0);

fn processors() -> usize {
    thread::available_parallelism().map_or(1, usize::from)
}

/// How many processors the work on one capture may use: its own, and those that no other capture
/// is worked on by.
pub(crate) fn idle() -> usize {
    let others = BUSY.load(Ordering::Relaxed).saturating_sub(1);
    processors().saturating_sub(others).max(1)
}

/// Works on every part at once.
pub(crate) fn at_once<T: Send, R: Send>(parts: Vec<T>, work: impl Fn(T) -> R + Sync) -> Vec<R> {
    let mut parts = parts.into_iter();
    let Some(first) = parts.next() else {
        return Vec::new();
    };
    thread::scope(|scope| {
        let work = &work;
        let others: Vec<_> = parts.map(|part| scope.spawn(move || work(part))).collect();
        let mut results = vec![work(first)];
        for other in others {
            match other.join() {
                Ok(result) => results.push(result),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        results
    })
}

/// Works on every item and hands each result to `take`, in the items' order, as soon as it and all
/// before it are there. An error of `take` stops the work and is given back.
pub(crate) fn in_order<T: Sync, R: Send>(
    items: &[T],
    work: impl Fn(&T) -> R + Sync,
    mut take: impl FnMut(R) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let workers = processors();
    let work = |item: &T| {
        BUSY.fetch_add(1, Ordering::Relaxed);
        let result = work(item);
        BUSY.fetch_sub(1, Ordering::Relaxed);
        result
    };
    if workers == 1 || items.len() < 2 {
        return items.iter().try_for_each(|item| take(work(item)));
    }
    let next = AtomicUsize::new(0);
    // A sender waits while nobody receives; what is received out of turn is kept until its turn.
    let (send, receive) = mpsc::sync_channel(workers);
    thread::scope(|scope| {
        for _ in 0..workers.min(items.len()) {
            let (send, next, work) = (send.clone(), &next, &work);
            scope.spawn(move || {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    let Some(item) = items.get(index) else { break };
                    // Nobody takes it any more.
                    if send.send((index, work(item))).is_err() {
                        break;
                    }
                }
            });
        }
        drop(send);
        let mut waiting = BTreeMap::new();
        let mut turn = 0;
        for (index, result) in receive {
            waiting.insert(index, result);
            while let Some(result) = waiting.remove(&turn) {
                take(result)?;
                turn += 1;
            }
        }
        Ok(())
    })
}

/// Works on every item; the results in the items' order, or the first failure in that order.
pub(crate) fn each<T: Sync, R: Send>(
    items: &[T],
    work: impl Fn(&T) -> Result<R, Failure> + Sync,
) -> Result<Vec<R>, Failure> {
    let mut all = Vec::with_capacity(items.len());
    in_order(items, work, |result| {
        all.push(result?);
        Ok(())
    })?;
    Ok(all)
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    #[test]
    fn results_come_in_order_however_long_each_takes() {
        let items: Vec<u64> = (0..40).collect();
        let mut seen = Vec::new();
        let slow_first = |&n: &u64| {
            thread::sleep(Duration::from_micros(500 * (40 - n)));
            n * n
        };
        in_order(&items, slow_first, |n| {
            seen.push(n);
            Ok(())
        })
        .unwrap();
        assert_eq!(seen, items.iter().map(|n| n * n).collect::<Vec<_>>());
    }

    #[test]
    fn the_first_failure_stops_the_work() {
        let done = AtomicUsize::new(0);
        let items: Vec<usize> = (0..10_000).collect();
        let failed = each(&items, |&n| {
            done.fetch_add(1, Ordering::Relaxed);
            if n == 3 {
                return Err(Failure::Usage("three".to_owned()));
            }
            Ok(n)
        });
        assert_eq!(failed.unwrap_err().to_string(), "three");
        assert!(done.load(Ordering::Relaxed) < 10_000);
    }
}
