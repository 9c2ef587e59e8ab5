//! The analysis crate's own files that read what people write, compiled here without the rest of it;
//! the links beside this file lead to them.
#![allow(dead_code)]

pub mod coupling;
mod kept;
pub mod measure;
pub mod number;
pub mod stack;
pub mod vehicle;

/// The car's book, as far as it is read from files.
pub mod book {
    mod moment;
    mod work;

    pub use self::moment::Moment;
    pub use self::work::Work;
}
