//! Drives through the public interface: what is written, what decodes, what repeats, and what each
//! fault does.

mod faults;
mod files;
mod signals;
mod sink;
