//! Text logs: one frame a line, in whatever form another program wrote it. The form is told by the
//! user, as a regular expression with named groups; none is built in.
//!
//! A reader like the capture's, beside it: lines come in, frames go out, and every line that is no
//! frame is counted, the first few kept to be shown. `layout` says how lines are read, `lines` reads
//! them, `source` gives a whole log as the bytes of a capture, so that whatever reads a capture
//! reads a text log too: see [`Capture::open_text`](crate::capture::Capture::open_text).
//!
//! ```toml
//! [layout]
//! name = "semicolons"
//! # Groups: time, id, data; if there are any also bus, length, direction, extended.
//! pattern = '^(?<time>[\d.]+);(?<bus>\w+);(?<id>[0-9A-F]+);(?<length>\d);(?<data>[0-9A-F ]*)$'
//! ignore = '^(#|$)'        # lines that are no frames and no mistakes
//! time_unit = "s"          # s, ms, us, ns
//! time_base_ns = 0         # added to every time, ns
//! id_base = 16             # 16 or 10
//! data_base = 16
//! leave_out = ["sent"]     # directions that are not of the car
//! ```

mod layout;
mod lines;
mod source;

pub use layout::Layout;
pub use lines::{Account, BadLine, Line, ONLY_BUS, TextLog};
pub(crate) use source::TextSource;
