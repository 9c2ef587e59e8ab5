//! What was right and wrong over all cars, and the table of it.

use std::collections::BTreeMap;

use slipwright_decoders::role::Role;

/// The count.
#[derive(Default)]
pub(crate) struct Tally {
    pub(crate) cars: usize,
    pub(crate) with_reference: usize,
    /// Error of the reference's lag, s: sum and sum of squares.
    pub(crate) lag_error_s: (f64, f64),
    /// Identifiers with contents by turns, those of them that were parted, and others that were.
    pub(crate) paged: usize,
    pub(crate) paged_parted: usize,
    pub(crate) parted_wrongly: usize,
    pub(crate) found: usize,
    pub(crate) exact: usize,
    pub(crate) false_finds: usize,
    pub(crate) scale_right: usize,
    pub(crate) offset_right: usize,
    pub(crate) turned: usize,
    pub(crate) corners_told: usize,
    pub(crate) corners_right: usize,
    pub(crate) axles_told: usize,
    pub(crate) axles_right: usize,
    /// Of each other role: cars that have it, where its field came first, where among the first three.
    pub(crate) first_three: BTreeMap<Role, (usize, usize, usize)>,
    pub(crate) seconds: f64,
}

/// The table of shares.
pub(crate) fn print(tally: &Tally, none: bool) {
    let share =
        |n: usize, of: usize| format!("{n} of {of} ({:.1} %)", 100.0 * n as f64 / of.max(1) as f64);
    println!("{:34}{}", "cars", tally.cars);
    let line = |what: &str, n, of| println!("{what:34}{}", share(n, of));
    line("with a reference speed", tally.with_reference, tally.cars);
    let with_reference = tally.with_reference.max(1) as f64;
    let (sum, squares) = tally.lag_error_s;
    println!(
        "{:34}mean {:.1} ms, RMS {:.1} ms",
        "error of the reference's lag",
        1e3 * sum / with_reference,
        1e3 * (squares / with_reference).sqrt()
    );
    line("contents by turns parted", tally.paged_parted, tally.paged);
    println!("{:34}{}", "  others parted", tally.parted_wrongly);
    if none {
        line("false wheel speeds", tally.false_finds, tally.cars);
    } else {
        line("wheel speeds exact", tally.exact, tally.cars);
        line(
            "wheel speeds wrong and accepted",
            tally.false_finds,
            tally.cars,
        );
        line("  scale within 1.5 %", tally.scale_right, tally.exact);
        line("  zero within 0.3 km/h", tally.offset_right, tally.exact);
        line("corners told", tally.corners_told, tally.turned);
        line("corners right", tally.corners_right, tally.turned);
        line(
            "front and rear right, where told",
            tally.axles_right,
            tally.axles_told,
        );
    }
    for (role, (all, first, three)) in &tally.first_three {
        println!(
            "{:32}  first {}, within three {}",
            role.text(),
            share(*first, *all),
            share(*three, *all)
        );
    }
    println!(
        "finding took {:.2} s a car",
        tally.seconds / tally.cars.max(1) as f64
    );
}
