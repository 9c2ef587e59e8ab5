//! Lines to frames, and the account of them.

use std::collections::HashMap;

use regex::Captures;
use slipwright_decoders::frame::{BusIndex, CanId, Frame, FrameFlags, MAX_DATA_BYTES};

use super::layout::Layout;

/// Name of the bus where a layout has no group for it.
pub const ONLY_BUS: &str = "can0";
/// Bad lines that are kept to be shown.
const KEPT_LINES: usize = 5;
/// Characters of a bad line that are shown.
const SHOWN_CHARACTERS: usize = 80;
/// Most data bytes of a classic frame (ISO 11898-1); a longer one is of CAN FD.
const MOST_CLASSIC_BYTES: usize = 8;
/// Highest number of a bus.
const MOST_BUSES: usize = 1024;

/// Why a line gives no frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadLine {
    /// The pattern does not match.
    #[error("does not match the pattern")]
    NoMatch,
    /// The time is no number, before 1970, or beyond what 64 bits of nanoseconds hold.
    #[error("time is no number from 1970 on")]
    Time,
    /// The identifier is no number of its base, or has more than 29 bits.
    #[error("id is no CAN identifier")]
    Id,
    /// The data are no bytes, or more than 64.
    #[error("data are no bytes")]
    Data,
    /// The length is no number, or not that of the data.
    #[error("length does not fit the data")]
    Length,
    /// More buses than a car has.
    #[error("too many different buses")]
    Bus,
}

/// What became of the lines of one log.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Account {
    /// Lines read.
    pub lines: u64,
    /// Frames given.
    pub frames: u64,
    /// Lines that the layout says to ignore.
    pub ignored: u64,
    /// Frames of a direction that is left out.
    pub left_out: u64,
    /// Lines that give no frame.
    pub bad: u64,
    /// The first of them: number of the line from 1, reason, the line's beginning.
    pub first_bad: Vec<(u64, BadLine, String)>,
}

/// What one line gives.
#[derive(Debug, PartialEq)]
pub enum Line<'a> {
    /// A frame, and the name of its bus.
    Frame(Frame<'a>, &'a str),
    /// Nothing, and that is counted.
    Nothing,
}

/// Reads one log, line by line.
#[derive(Debug)]
pub struct TextLog {
    layout: Layout,
    buses: HashMap<String, u16>,
    names: Vec<String>,
    data: Vec<u8>,
    account: Account,
}

impl TextLog {
    /// A log of this layout, at its beginning.
    #[must_use]
    pub fn new(layout: &Layout) -> Self {
        Self {
            layout: layout.clone(),
            buses: HashMap::new(),
            names: Vec::new(),
            data: Vec::with_capacity(MAX_DATA_BYTES),
            account: Account::default(),
        }
    }

    /// Takes the next line, without its end.
    pub fn line(&mut self, line: &str) -> Line<'_> {
        self.account.lines += 1;
        if self
            .layout
            .ignore
            .as_ref()
            .is_some_and(|ignore| ignore.is_match(line))
        {
            self.account.ignored += 1;
            return Line::Nothing;
        }
        match self.read(line) {
            Ok(Some((t_ns, bus, id))) => {
                self.account.frames += 1;
                let flags = FrameFlags {
                    fd: self.data.len() > MOST_CLASSIC_BYTES,
                    ..FrameFlags::default()
                };
                let frame = Frame {
                    t_ns,
                    bus,
                    id,
                    flags,
                    data: &self.data,
                };
                let name = self.names.get(bus.as_usize());
                Line::Frame(frame, name.map_or(ONLY_BUS, String::as_str))
            }
            Ok(None) => {
                self.account.left_out += 1;
                Line::Nothing
            }
            Err(reason) => {
                self.account.bad += 1;
                if self.account.first_bad.len() < KEPT_LINES {
                    let shown = line.chars().take(SHOWN_CHARACTERS).collect();
                    self.account
                        .first_bad
                        .push((self.account.lines, reason, shown));
                }
                Line::Nothing
            }
        }
    }

    fn read(&mut self, line: &str) -> Result<Option<(i64, BusIndex, CanId)>, BadLine> {
        let layout = &self.layout;
        let found = layout.pattern.captures(line).ok_or(BadLine::NoMatch)?;
        let group = |name: &str| found.name(name).map(|m| m.as_str().trim());
        if group("direction").is_some_and(|d| layout.leave_out.iter().any(|l| l == d)) {
            return Ok(None);
        }
        let t_ns = nanoseconds(group("time").unwrap_or_default(), layout.places)
            .and_then(|t| t.checked_add(layout.time_base_ns))
            .filter(|t| *t >= 0)
            .ok_or(BadLine::Time)?;
        let id = identifier(&found, layout.id_base).ok_or(BadLine::Id)?;
        bytes(
            group("data").unwrap_or_default(),
            layout.data_base,
            &mut self.data,
        )
        .ok_or(BadLine::Data)?;
        if let Some(length) = group("length") {
            let length: usize = length.parse().map_err(|_| BadLine::Length)?;
            if length != self.data.len() {
                return Err(BadLine::Length);
            }
        }
        let name = group("bus")
            .filter(|name| !name.is_empty())
            .unwrap_or(ONLY_BUS);
        let index = match self.buses.get(name) {
            Some(index) => *index,
            None if self.names.len() < MOST_BUSES => {
                let index = self.names.len() as u16;
                self.buses.insert(name.to_owned(), index);
                self.names.push(name.to_owned());
                index
            }
            None => return Err(BadLine::Bus),
        };
        Ok(Some((t_ns, BusIndex::new(index), id)))
    }

    /// What became of the lines so far.
    #[must_use]
    pub fn account(&self) -> &Account {
        &self.account
    }
}

/// A decimal number of a unit that is `places` decimal places above the nanosecond, exactly.
fn nanoseconds(text: &str, places: u32) -> Option<i64> {
    let (negative, text) = match text.strip_prefix('-') {
        Some(rest) => (true, rest),
        None => (false, text.strip_prefix('+').unwrap_or(text)),
    };
    let (whole, fraction) = text.split_once(['.', ',']).unwrap_or((text, ""));
    if whole.is_empty() && fraction.is_empty() {
        return None;
    }
    let number = |digits: &str| -> Option<i64> {
        if digits.is_empty() {
            Some(0)
        } else {
            digits
                .bytes()
                .all(|b| b.is_ascii_digit())
                .then(|| digits.parse().ok())?
        }
    };
    // Digits below the nanosecond are cut off.
    let kept: String = fraction.chars().take(places as usize).collect();
    if !fraction.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let missing = places - kept.len() as u32;
    let below = number(&kept)?.checked_mul(10_i64.checked_pow(missing)?)?;
    let t = number(whole)?
        .checked_mul(10_i64.checked_pow(places)?)?
        .checked_add(below)?;
    Some(if negative { -t } else { t })
}

/// Extended where the group `extended` matched something, where an `x` stands behind the number, where
/// the number needs it, or where eight hexadecimal digits are written.
fn identifier(found: &Captures<'_>, base: u32) -> Option<CanId> {
    let text = found.name("id")?.as_str().trim();
    let text = without_prefix(text, base)?;
    let digits = text.strip_suffix(['x', 'X']).unwrap_or(text);
    let number = u32::from_str_radix(digits, base).ok()?;
    let said = digits.len() < text.len()
        || found
            .name("extended")
            .is_some_and(|m| !m.as_str().trim().is_empty());
    let extended = said || number > CanId::MAX_BASE || base == 16 && digits.len() == 8;
    CanId::new(number, extended)
}

/// A number without the `0x` before it; `None` where that says another base than the layout.
fn without_prefix(text: &str, base: u32) -> Option<&str> {
    match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
        Some(digits) => (base == 16).then_some(digits),
        None => Some(text),
    }
}

/// Bytes with anything between them, or hexadecimal digits in one piece. A piece of an odd number of
/// digits has lost one, and is refused.
fn bytes(text: &str, base: u32, data: &mut Vec<u8>) -> Option<()> {
    data.clear();
    let parts: Vec<&str> = text
        .split(|c: char| !c.is_ascii_alphanumeric())
        .filter(|part| !part.is_empty())
        .map(|part| without_prefix(part, base))
        .collect::<Option<_>>()?;
    match parts.as_slice() {
        [one] if base == 16 => {
            if one.len() % 2 != 0 {
                return None;
            }
            for at in (0..one.len()).step_by(2) {
                data.push(u8::from_str_radix(one.get(at..at + 2)?, 16).ok()?);
            }
        }
        parts => {
            for part in parts {
                data.push(u8::from_str_radix(part, base).ok()?);
            }
        }
    }
    (data.len() <= MAX_DATA_BYTES).then_some(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// One committed layout with the lines that its text shows.
    fn check(layout: &str, line: &str, t_ns: i64, bus: &str, id: CanId, data: &[u8]) {
        let layout = Layout::parse(layout).unwrap();
        let mut log = TextLog::new(&layout);
        match log.line(line) {
            Line::Frame(frame, name) => assert_eq!(
                (frame.t_ns, name, frame.id, frame.data),
                (t_ns, bus, id, data),
                "{line}"
            ),
            Line::Nothing => panic!("{line}: {:?}", log.account()),
        }
    }

    #[test]
    fn the_worked_layouts_read_their_lines() {
        let semicolons = include_str!("../../text-layouts/semicolons.toml");
        check(
            semicolons,
            "12.000345;drive;0F2;8;00 01 02 03 04 05 06 FF",
            12_000_345_000,
            "drive",
            CanId::Base(0xF2),
            &[0, 1, 2, 3, 4, 5, 6, 255],
        );
        let columns = include_str!("../../text-layouts/columns.toml");
        check(
            columns,
            "   1700000000123  in   2  ext 18FEBF0B   0102A0",
            1_700_000_000_123_000_000,
            "2",
            CanId::Extended(0x18FE_BF0B),
            &[1, 2, 0xA0],
        );
        let spoken = include_str!("../../text-layouts/spoken.toml");
        check(
            spoken,
            "at 5250 us: frame 242 says [17, 0, 255]",
            5_250_000,
            ONLY_BUS,
            CanId::Base(242),
            &[17, 0, 255],
        );
    }

    #[test]
    fn every_line_is_counted() {
        let layout = Layout::parse(include_str!("../../text-layouts/columns.toml")).unwrap();
        let mut log = TextLog::new(&layout);
        let lines = [
            "# a comment",
            "1000 in 1 std 123 01",
            "1001 out 1 std 123 01",
            "nonsense",
            "1002 in 1 std 123 0",
            "1003 in 1 std FFFFFFFFF 00",
            "99999999999999999999 in 1 std 123 00",
        ];
        let frames = lines
            .iter()
            .filter(|line| matches!(log.line(line), Line::Frame(..)))
            .count();
        let account = log.account();
        assert_eq!(frames, 1);
        assert_eq!(
            (
                account.lines,
                account.frames,
                account.ignored,
                account.left_out,
                account.bad
            ),
            (7, 1, 1, 1, 4)
        );
        let reasons: Vec<(u64, BadLine)> = account
            .first_bad
            .iter()
            .map(|(n, why, _)| (*n, *why))
            .collect();
        assert_eq!(
            reasons,
            [
                (4, BadLine::NoMatch),
                (5, BadLine::Data),
                (6, BadLine::Id),
                (7, BadLine::Time)
            ]
        );
    }

    #[test]
    fn a_wrong_layout_is_refused_with_its_line() {
        let refused = |text: &str| {
            let error = Layout::parse(text).unwrap_err();
            format!("{:?}: {}", error.line, error.message)
        };
        insta::assert_snapshot!(refused("[layout]\npattern = '(?<time>\\d+) (?<id>\\w+)'\n"), @"Some(2): pattern has no group data; write it as (?<data>...)");
        insta::assert_snapshot!(refused("[layout]\npattern = '(?<time>'\n"), @"Some(2): pattern is no regular expression (error: unclosed group); correct it");
        insta::assert_snapshot!(refused("[layout]\npattern = '(?<time>.)(?<id>.)(?<data>.)'\ntime_unit = \"h\"\n"), @r#"Some(3): unknown time_unit "h"; use s, ms, us or ns"#);
    }

    #[test]
    fn what_stands_around_a_number_is_not_lost() {
        let read = |id_base: u32, text: &str| {
            let layout = format!(
                "[layout]\npattern = '(?<time>\\d+) (?<id>\\w+) (?<data>.*)'\nid_base = {id_base}\ndata_base = {id_base}\n"
            );
            let layout = Layout::parse(&layout).unwrap_or_else(|e| panic!("{e}"));
            match TextLog::new(&layout).line(text) {
                Line::Frame(frame, _) => Some((frame.id, frame.data.to_vec())),
                Line::Nothing => None,
            }
        };
        let data = vec![1, 0x10];
        assert_eq!(
            read(16, "1 123 01 10"),
            Some((CanId::Base(0x123), data.clone()))
        );
        assert_eq!(
            read(16, "1 0x123 0x01 0X10"),
            Some((CanId::Base(0x123), data.clone()))
        );
        // A mark of 29 bits behind the number.
        assert_eq!(
            read(16, "1 123x 01 10"),
            Some((CanId::Extended(0x123), data))
        );
        assert_eq!(read(16, "1 123xx 01 10"), None);
        // Said to be hexadecimal, where the layout says decimal.
        assert_eq!(read(10, "1 0x10 1 2"), None);
        assert_eq!(read(10, "1 10 1 0x2"), None);
        assert_eq!(read(10, "1 10 1 2"), Some((CanId::Base(10), vec![1, 2])));
    }

    proptest! {
        #[test]
        fn any_line_is_a_frame_or_counted(lines in prop::collection::vec(".{0,60}", 0..20)) {
            let layout = Layout::parse(include_str!("../../text-layouts/semicolons.toml")).unwrap();
            let mut log = TextLog::new(&layout);
            for line in &lines {
                let _ = log.line(line);
            }
            let account = log.account();
            prop_assert_eq!(account.lines, lines.len() as u64);
            prop_assert_eq!(account.lines, account.frames + account.ignored + account.left_out + account.bad);
        }

        #[test]
        fn times_are_exact(t_ns in 0_i64..4_000_000_000_000_000_000) {
            let text = format!("{}.{:09}", t_ns / 1_000_000_000, t_ns % 1_000_000_000);
            prop_assert_eq!(nanoseconds(&text, 9), Some(t_ns));
        }
    }
}
