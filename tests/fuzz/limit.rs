//! An allocator with a bound: an input that makes its reader hold more than [`MOST_BYTES`] ends the
//! process, which counts as a finding.
#![allow(unsafe_code)]

use std::alloc::{GlobalAlloc, Layout, System};
use std::sync::atomic::{AtomicUsize, Ordering};

/// Most memory that all readers together may hold, with the fuzzer's own; inputs have 64 kB at most.
pub const MOST_BYTES: usize = 256 << 20;

struct Limited;

static HELD: AtomicUsize = AtomicUsize::new(0);

// Everything is handed on to the system's allocator; only sizes are counted.
unsafe impl GlobalAlloc for Limited {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        if HELD.fetch_add(layout.size(), Ordering::Relaxed) + layout.size() > MOST_BYTES {
            std::process::abort();
        }
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, place: *mut u8, layout: Layout) {
        HELD.fetch_sub(layout.size(), Ordering::Relaxed);
        unsafe { System.dealloc(place, layout) }
    }
}

#[global_allocator]
static LIMITED: Limited = Limited;
