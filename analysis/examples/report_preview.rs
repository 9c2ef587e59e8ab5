//! Prints the report of made-up drives, so that its look can be judged:
//!
//!     cargo run -p slipwright-analysis --example report_preview -- improved > report.html
//!
//! The cases are `improved`, `unchanged` and `empty`.
#![allow(clippy::print_stdout, clippy::disallowed_macros)]

#[path = "../src/report/tests/drives.rs"]
mod drives;
#[path = "../src/trial/random.rs"]
#[allow(dead_code, reason = "made-up drives draw less than trials do")]
mod trial;

// The made-up drives are also the report's test data and name these modules from the crate root.
use slipwright_analysis::{comparison, engagement, kinematics, measure, measures, report, vehicle};

fn main() {
    let case = std::env::args()
        .nth(1)
        .unwrap_or_else(|| "improved".to_owned());
    let made = match case.as_str() {
        "improved" => drives::improved(7),
        "unchanged" => drives::unchanged(7),
        _ => drives::empty(),
    };
    println!("{}", made.report());
}
