//! Text logs into the survey, line by line.

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::Path;

use slipwright_decoders::find::Survey;
use slipwright_logger::text_log::{Account, Layout, Line, TextLog};

use crate::failure::Failure;

/// Longest line that is read as one, bytes; more is no frame.
const LONGEST_LINE_BYTES: u64 = 1 << 16;

pub(super) fn read_layout(path: &Path) -> Result<Layout, Failure> {
    let text = std::fs::read_to_string(path).map_err(Failure::reading(path))?;
    Layout::parse(&text).map_err(Failure::toml(path))
}

/// Reads one log; `tick` is told of every line's bytes.
pub(super) fn read(
    path: &Path,
    layout: &Layout,
    survey: &mut Survey,
    mut tick: impl FnMut(u64),
) -> Result<Account, Failure> {
    let mut file =
        BufReader::with_capacity(1 << 20, File::open(path).map_err(Failure::reading(path))?);
    let mut log = TextLog::new(layout);
    survey.begin_capture();
    let mut line = Vec::new();
    let mut announced = 0;
    loop {
        line.clear();
        let mut limited = std::io::Read::take(&mut file, LONGEST_LINE_BYTES);
        let taken = limited
            .read_until(b'\n', &mut line)
            .map_err(Failure::reading(path))?;
        if taken == 0 {
            break;
        }
        tick(taken as u64);
        let text = String::from_utf8_lossy(&line);
        let frame = match log.line(text.trim_end_matches(['\n', '\r'])) {
            Line::Frame(frame) => (
                frame.t_ns,
                frame.bus,
                frame.id,
                frame.flags,
                frame.data.to_vec(),
            ),
            Line::Nothing => continue,
        };
        let (t_ns, bus, id, flags, data) = frame;
        if bus.as_usize() >= announced {
            survey.add_bus(bus, log.bus_name(bus));
            announced = bus.as_usize() + 1;
        }
        survey.push(&slipwright_decoders::frame::Frame {
            t_ns,
            bus,
            id,
            flags,
            data: &data,
        });
    }
    Ok(log.finish())
}
