//! Around the table library: it panics on some damaged files (found by the fuzz target `tables`), which
//! must end as an error of the file, in one line. Every file that it reads is read in [`guarded`].

use std::cell::Cell;
use std::panic::{AssertUnwindSafe, catch_unwind, set_hook, take_hook};
use std::sync::Once;

thread_local! {
    /// Whether this thread is within [`guarded`].
    static GUARDED: Cell<bool> = const { Cell::new(false) };
}

/// Its own threads carry this name.
const POOL: &str = "polars";

/// What it gives; `None` where it panicked, of which nothing is printed.
pub(crate) fn guarded<T>(read: impl FnOnce() -> T) -> Option<T> {
    static SILENT: Once = Once::new();
    SILENT.call_once(|| {
        let before = take_hook();
        set_hook(Box::new(move |info| {
            let current = std::thread::current();
            let of_pool = current.name().is_some_and(|name| name.starts_with(POOL));
            if !of_pool && !GUARDED.get() {
                before(info);
            }
        }));
    });
    GUARDED.set(true);
    // What a read that panicked has left behind is dropped whole.
    let outcome = catch_unwind(AssertUnwindSafe(read)).ok();
    GUARDED.set(false);
    outcome
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_ends_as_nothing_and_the_next_read_is_as_before() {
        let index = std::hint::black_box(3);
        assert_eq!(guarded(|| [1, 2][index]), None);
        assert_eq!(guarded(|| [1, 2][index - 2]), Some(2));
        assert!(!GUARDED.get());
    }
}
