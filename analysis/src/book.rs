//! The car's book: what was done to the car, what its drives belong to, and what is due.
//!
//! A book is a folder of plain files: `vehicle.toml`, `work/*.toml`, `reminders.toml` and `drives/`.
//! Here are the values; whoever owns the files hands in their text.
//!
//! - [`work`]: one piece of work. [`moment`]: a day or a time in a file.
//! - [`sides`]: which drives are from before a piece of work and which from after it.
//! - [`reminder`]: intervals the owner entered, and what is due.

pub mod moment;
pub mod reminder;
pub mod sides;
pub mod work;

pub use self::moment::Moment;
pub use self::reminder::{Due, DueState, Reminder, Usage};
pub use self::work::Work;
