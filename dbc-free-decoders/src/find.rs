//! Finding the signals of an unknown car: frames in, proposed signals out, each with its reasons.
//!
//! In the order of the flow:
//!
//! - [`survey`]: the one pass over the frames, with [`bit_activity`], [`rows`] and `interval`.
//! - `counter`, [`protection`], `multiplex`, `content_numbers`, [`segment`], `segment_link`, `segment_value`, `field_bits`: counters and
//!   checksums, contents by turns, fields.
//! - [`timeline`], `codes`, `candidate`: the fields as series on one axis.
//! - `obd`, [`reference`], `reference_lag`: what the capture or the user tells of the speed.
//! - `wheel_speed`, `wheel_layout`, `wheel_field`, `wheel_score`, `wheel_own`: four wheels; `speed_scale`: their
//!   scale; [`corner`], `corner_axle`, `corner_side`: which is where.
//! - `motion`: how the car moves; `turning`, `powertrain`, `pulling`, `coupling`, `warming`: the rest,
//!   `ranked`; `delay`: which comes first.
//! - `contrast`: what marks set apart.
//! - [`proposal`], `speed_proposal`, `role_proposal`: what comes out; `propose`: the order in which everything is asked.
//!
//! As measured on simulated unknown cars, five minutes each, with seeds not used before:
//!
//! `cargo run --example find_study -- 200 61000 -v`:
//!
//! | what | of | right | per cent |
//! |---|---:|---:|---:|
//! | wheel speeds exact (order, lowest bit) | 200 | 198 | 99.0 |
//! | wheel speeds wrong and accepted | 200 | 0 | 0 |
//! | scale within 1.5 %, zero within 0.3 km/h | 198 | 198 | 100 |
//! | corners told, and right | 198 | 194 | 98.0 |
//! | coupling pressure within the first three (first) | 200 | 174 (165) | 87.0 |
//! | coupling demand | 200 | 187 (161) | 93.5 |
//! | coupling temperature | 200 | 196 (164) | 98.0 |
//! | engine speed, engine torque | 200 | 200 (200) | 100 |
//! | accelerator | 200 | 198 (198) | 99.0 |
//! | brake | 200 | 196 (196) | 98.0 |
//! | steering angle | 200 | 182 (182) | 91.0 |
//! | yaw rate | 200 | 188 (176) | 94.0 |
//! | gear | 200 | 140 (139) | 70.0 |
//!
//! The reference's lag, 40 cars from 640100: mean error 1.2 ms, RMS 5.7 ms.
//!
//! `cargo run --example find_study -- 100 71000 none -v`, the wheel speeds taken off the bus: 0 false
//! finds of 100 cars; pressure within the first three in 94.

pub mod bit_activity;
mod candidate;
mod codes;
mod content_numbers;
mod contrast;
pub mod corner;
mod corner_axle;
mod corner_side;
mod counter;
mod coupling;
mod delay;
mod field_bits;
mod interval;
mod motion;
mod multiplex;
mod obd;
mod powertrain;
pub mod proposal;
mod propose;
pub mod protection;
mod pulling;
mod ranked;
pub mod reference;
mod reference_clock;
mod reference_lag;
mod role_proposal;
pub mod rows;
pub mod segment;
mod segment_link;
mod segment_value;
mod speed_proposal;
mod speed_scale;
mod statistics;
pub mod survey;
pub mod timeline;
mod turning;
mod warming;
mod wheel_field;
mod wheel_layout;
mod wheel_own;
mod wheel_score;
mod wheel_speed;

#[cfg(test)]
mod made_drive;
#[cfg(test)]
mod tests;

pub use corner::Geometry;
pub use proposal::Findings;
pub use reference::SpeedReference;
pub use survey::Survey;
pub use wheel_speed::ACCEPTANCE_SCORE;

pub use propose::{FindOptions, find};
