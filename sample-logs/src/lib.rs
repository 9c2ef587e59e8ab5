//! Sample drives with known truth: a simulator of an on-demand all-wheel-drive car.
//!
//! A scenario goes in; captures as the recorder would write them come out, with the decoder and
//! vehicle files that belong to them and the truth that they were made from. The core is pure:
//! only [`write`] touches files, and nothing looks at a clock. The same seed gives the same bytes
//! on every machine.
//!
//! In the order of the flow:
//!
//! - [`scenario`]: what is to be driven, by which car, with which faults.
//! - [`car`]: the numbers of the training car, and of cars drawn like it; [`bench`]: its nominal times.
//! - [`fault`]: what each fault changes in them.
//! - [`manoeuvre`], [`driver`]: the programme and the one who drives it.
//! - [`engine`], [`gearbox`], [`brakes`], [`control_unit`]: what the car's controls make of it.
//! - [`state`], [`drivetrain`]: every state and its rate, with [`body`], [`tyre`], [`surface`],
//!   [`friction`], [`wind`] and [`hydraulics`]; [`integrator`] takes the steps.
//! - [`drive`]: the loop in which all of that runs.
//! - [`truth`]: the true states and the true measures.
//! - [`wheel_sensor`], [`readings`]: what the sensors make of the truth.
//! - [`satellite`]: a speed reference beside the car's own.
//! - [`source`], [`layout`], [`protection`], [`arbitration`], [`bus`]: what the buses make of that.
//! - [`vehicle_file`], `truth_file`, [`write`]: files; [`memory`]: recordings without files, for studies;
//!   [`picture`]: what a scenario looks like.
//! - [`random`]: one stream of random numbers a purpose.

pub mod arbitration;
pub mod bench;
pub mod body;
pub mod brakes;
pub mod bus;
pub mod car;
pub mod control_unit;
pub mod drive;
pub mod driver;
pub mod drivetrain;
pub mod engine;
pub mod fault;
pub mod friction;
pub mod gearbox;
pub mod hydraulics;
pub mod integrator;
pub mod layout;
pub mod manoeuvre;
pub mod memory;
pub mod picture;
pub mod protection;
pub mod random;
pub mod readings;
pub mod satellite;
pub mod scenario;
pub mod source;
pub mod state;
pub mod surface;
pub mod truth;
mod truth_file;
pub mod tyre;
pub mod vehicle_file;
pub mod wheel_sensor;
pub mod wind;
pub mod write;
