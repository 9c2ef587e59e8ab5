//! Signals to proof: what a drive's signals say of the coupling, whether work on it helped, and what is
//! wrong where it did not.
//!
//! The second half of the data flow, as pure computation: decoded signals and a vehicle
//! description come in; measures, a comparison, findings and a report go out as values. Nothing
//! here touches a file, a clock or a socket, and nothing here prints.
//!
//! In the order of the flow, one function an arrow:
//!
//! - [`vehicle`]: what is known of the car, and which key is missing when something is not;
//!   [`coupling`]: what its pack carries; `driveline`: engine torque to the wheels.
//! - [`drive`]: signals aligned on the wheel-speed time base ([`drive::Drive::from_signals`]).
//! - [`closing`]: when demand or pressure show the coupling closed.
//! - [`kinematics`]: radius correction, axle speeds, front-rear slip.
//! - [`transition`]: state levels and crossing times of a step (IEEE Std 181).
//! - [`engagement`]: where the coupling closes and opens ([`engagement::find_engagements`]).
//! - [`traction`]: how the driving force divides between the axles.
//! - [`coupling_model`]: fill, rise, leakage and torque of the coupling, fitted to a drive.
//! - [`measure`]: the list of measures and what a measured value is; [`measures`]: one file each
//!   ([`measures::measure_drive`]); [`tested`]: how much of the coupling a drive tested.
//! - [`comparison`]: matched engagements to verdicts ([`comparison::compare`]).
//! - [`plan`]: how many launches and tip-ins prove a change of which size; [`test_card`]: what a drive
//!   must hold so that it counts, and what it holds already.
//! - [`trend`]: measured drives over months and kilometres ([`trend::trend`]).
//!
//! Beside it, from the same frames and signals to the cause of a fault:
//!
//! - [`traffic_watch`]: which identifiers fell silent or froze, and when.
//! - [`readiness`]: whether every needed signal is alive and the coupling could work
//!   ([`readiness::assess`]).
//! - [`diagnosis`]: ranked causes with their evidence.
//!
//! For the workshop and the shelf:
//!
//! - [`stack`]: measured parts to the stack of discs and plates to build.
//! - [`book`]: work done on the car, and what is due.
//!
//! What shows it:
//!
//! - [`table`]: signals, engagements and comparisons as polars frames and Parquet bytes.
//! - [`number`], [`words`]: numbers, counts and lists as people read them.
//! - [`chart`], [`report`]: pictures and pages; they compute no verdict, shift or interval.
//!
//! And what knows nothing of cars: [`statistics`], estimators and tests; `kept`, how the program's own
//! texts are read back.

pub mod book;
pub mod chart;
pub mod closing;
pub mod comparison;
pub mod coupling;
pub mod coupling_model;
pub mod diagnosis;
pub mod drive;
mod driveline;
pub mod engagement;
mod kept;
pub mod kinematics;
pub mod measure;
pub mod measures;
pub mod number;
pub mod plan;
pub mod readiness;
pub mod report;
pub mod stack;
pub mod statistics;
pub mod table;
pub mod test_card;
pub mod tested;
pub mod traction;
pub mod traffic_watch;
pub mod transition;
pub mod trend;
#[cfg(test)]
mod trial;
pub mod vehicle;
pub mod words;
