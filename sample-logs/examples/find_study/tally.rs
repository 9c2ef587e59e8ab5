//! What was right and wrong over all cars, and the table of it.

use std::collections::BTreeMap;

use slipwright_decoders::role::Role;

/// The count.
#[derive(Default)]
pub(crate) struct Tally {
    pub(crate) cars: usize,
    pub(crate) with_reference: usize,
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
    println!("cars                              {}", tally.cars);
    println!(
        "with a reference speed            {}",
        share(tally.with_reference, tally.cars)
    );
    if none {
        println!(
            "false wheel speeds                {}",
            share(tally.false_finds, tally.cars)
        );
    } else {
        println!(
            "wheel speeds exact                {}",
            share(tally.exact, tally.cars)
        );
        println!(
            "wheel speeds wrong and accepted   {}",
            share(tally.false_finds, tally.cars)
        );
        println!(
            "  scale within 1.5 %              {}",
            share(tally.scale_right, tally.exact)
        );
        println!(
            "  zero within 0.3 km/h            {}",
            share(tally.offset_right, tally.exact)
        );
        println!(
            "corners told                      {}",
            share(tally.corners_told, tally.turned)
        );
        println!(
            "corners right                     {}",
            share(tally.corners_right, tally.turned)
        );
        println!(
            "front and rear right, where told  {}",
            share(tally.axles_right, tally.axles_told)
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
