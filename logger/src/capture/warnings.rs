//! What a summary has to say, in plain lines.

use super::block::BadBlock;
use super::summary::{BusSummary, Ending, Skipped, Summary};
use crate::text_log::Account;

impl Summary {
    /// What a person should know of a capture beside its frames, one plain line each: that it is
    /// cut or damaged, that the clock was set back, that frames were lost or could not be read.
    /// None for a good capture. Places are in unpacked bytes.
    #[must_use]
    pub fn warnings(&self) -> Vec<String> {
        let mut lines = Vec::new();
        match self.ending {
            Ending::Whole | Ending::Stopped => {}
            Ending::Cut { offset } => lines.push(format!(
                "the capture is cut off: its last block begins at byte {offset} and is not \
                 finished; all before it was read"
            )),
            Ending::Damaged { offset, reason } => lines.push(format!(
                "the capture is damaged at byte {offset}: {reason}; nothing after it was read"
            )),
        }
        if let Some(first) = self.backward_steps.first().first() {
            let times = times(self.backward_steps.count());
            let by_s = (i128::from(first.from_ns) - i128::from(first.to_ns)) as f64 / 1e9;
            let name = self.bus_name(first.bus.as_usize());
            lines.push(format!(
                "the clock was set back {times} while recording, first by {by_s:.3} s at frame {} \
                 on {name}",
                first.frame
            ));
        }
        for (index, bus) in self
            .buses
            .iter()
            .enumerate()
            .filter(|(_, bus)| bus.lost() > 0)
        {
            let name = self.bus_name(index);
            lines.push(format!(
                "{} on {name} did not reach the capture",
                frames(bus.lost())
            ));
        }
        if let Some(first) = self.malformed.first().first() {
            lines.push(format!(
                "{} could not be read, the first at byte {}: {}",
                packets_or_blocks(self.malformed.count()),
                first.offset,
                first.reason
            ));
        }
        let Skipped {
            other_link_type,
            unstamped,
            can_xl,
            other_blocks: _,
        } = self.skipped;
        for (count, what) in [
            (other_link_type, "of interfaces that are no CAN bus"),
            (unstamped, "without a time stamp"),
            (can_xl, "with CAN XL frames"),
        ] {
            if count > 0 {
                lines.push(format!("{} {what} passed over", packets(count)));
            }
        }
        lines.extend(self.text.iter().flat_map(bad_lines));
        lines
    }

    /// Why a capture gave no frame, as far as reading it tells, and what to do: one plain line.
    #[must_use]
    pub fn without_frames(&self) -> String {
        match self.ending {
            _ if self.text.is_some() => {
                return "no line of it is a frame; check the layout's pattern".to_owned();
            }
            Ending::Damaged {
                reason: reason @ BadBlock::Version(_),
                offset,
            } => {
                return format!(
                    "no CAN frame could be read: at byte {offset}, {reason}; write it in version 1"
                );
            }
            Ending::Damaged {
                reason: BadBlock::Compression,
                ..
            } => {
                return "no CAN frame could be read: the zstd compression is damaged before its first \
                        frame; copy it again from where it was recorded"
                    .to_owned();
            }
            Ending::Damaged { offset, reason } => {
                return format!(
                    "no CAN frame could be read: the capture is damaged at byte {offset}, before its \
                     first frame: {reason}; copy it again from where it was recorded"
                );
            }
            Ending::Cut { offset } => {
                return format!(
                    "no CAN frame could be read: the capture is cut off at byte {offset}, before the \
                     end of its first frame; copy it again from where it was recorded"
                );
            }
            Ending::Whole | Ending::Stopped => {}
        }
        if let Some(first) = self.malformed.first().first() {
            return format!(
                "no CAN frame could be read: {} cannot, the first at byte {}: {}; record it anew",
                packets_or_blocks(self.malformed.count()),
                first.offset,
                first.reason
            );
        }
        let Skipped {
            other_link_type,
            unstamped,
            can_xl,
            other_blocks: _,
        } = self.skipped;
        if unstamped > 0 {
            return format!(
                "no CAN frame with a time: {} without a time stamp; record it with time stamps",
                packets(unstamped)
            );
        }
        if can_xl > 0 {
            return format!(
                "no CAN frame but {} with CAN XL frames, which are not read; record another bus",
                packets(can_xl)
            );
        }
        if other_link_type > 0 {
            return format!(
                "no CAN frame but {} of interfaces that are no CAN bus; record it from a CAN interface",
                packets(other_link_type)
            );
        }
        "the capture holds no CAN frame; record a drive".to_owned()
    }

    /// What a bus is called: its name, or its number where it has none.
    #[must_use]
    pub fn bus_name(&self, index: usize) -> String {
        let name = self.buses.get(index).and_then(BusSummary::name);
        name.map_or_else(|| format!("bus {index}"), str::to_owned)
    }
}

impl BusSummary {
    /// The name of its interface, if that has one.
    #[must_use]
    pub fn name(&self) -> Option<&str> {
        self.interface
            .name
            .as_deref()
            .filter(|name| !name.is_empty())
    }
}

/// Lines of a text log that give no frame, counted and the first of them shown.
fn bad_lines(account: &Account) -> Vec<String> {
    if account.bad == 0 {
        return Vec::new();
    }
    let of_all = format!("{} of {} lines give no frame", account.bad, account.lines);
    let first = account.first_bad.iter().map(|(line, why, text)| {
        let text: String = text
            .chars()
            .map(|c| if c.is_control() { ' ' } else { c })
            .collect();
        format!("line {line} {why}: {text}")
    });
    [of_all].into_iter().chain(first).collect()
}

fn times(count: u64) -> String {
    match count {
        1 => "once".to_owned(),
        2 => "twice".to_owned(),
        _ => format!("{count} times"),
    }
}

fn frames(count: u64) -> String {
    counted(count, "frame", "frames")
}

fn packets(count: u64) -> String {
    counted(count, "packet", "packets")
}

fn packets_or_blocks(count: u64) -> String {
    counted(count, "packet or block", "packets or blocks")
}

fn counted(count: u64, one: &str, many: &str) -> String {
    if count == 1 {
        format!("1 {one}")
    } else {
        format!("{count} {many}")
    }
}

#[cfg(test)]
mod tests {
    use slipwright_decoders::frame::BusIndex;

    use super::*;
    use crate::capture::BadBlock;
    use crate::capture::interface::Interface;
    use crate::capture::packet::BadPacket;
    use crate::capture::summary::{BackwardStep, Malformed};

    fn bus(name: Option<&str>, lost_between: u64) -> BusSummary {
        BusSummary {
            interface: Interface {
                name: name.map(str::to_owned),
                ..Interface::default()
            },
            frames: 0,
            first_ns: None,
            last_ns: None,
            statistics: None,
            lost_between,
        }
    }

    #[test]
    fn a_good_capture_has_nothing_to_say() {
        let mut summary = Summary {
            buses: vec![bus(None, 0)],
            ..Summary::default()
        };
        summary.skipped.other_blocks = 3;
        assert_eq!(summary.warnings(), [""; 0]);
    }

    #[test]
    fn a_capture_without_frames_says_why() {
        let of = |ending| Summary {
            ending,
            ..Summary::default()
        };
        let (offset, reason) = (28, BadBlock::ShortInterface);
        insta::assert_snapshot!(of(Ending::Whole).without_frames(), @"the capture holds no CAN frame; record a drive");
        insta::assert_snapshot!(of(Ending::Damaged { offset, reason }).without_frames(), @"no CAN frame could be read: the capture is damaged at byte 28, before its first frame: an interface description is too short; copy it again from where it was recorded");
        let reason = BadBlock::Version(2);
        insta::assert_snapshot!(of(Ending::Damaged { offset: 0, reason }).without_frames(), @"no CAN frame could be read: at byte 0, a section of format version 2 begins here; only version 1 is known; write it in version 1");
        insta::assert_snapshot!(of(Ending::Cut { offset }).without_frames(), @"no CAN frame could be read: the capture is cut off at byte 28, before the end of its first frame; copy it again from where it was recorded");
        let mut summary = of(Ending::Whole);
        summary.skipped.other_link_type = 4;
        insta::assert_snapshot!(summary.without_frames(), @"no CAN frame but 4 packets of interfaces that are no CAN bus; record it from a CAN interface");
        summary.skipped.can_xl = 3;
        insta::assert_snapshot!(summary.without_frames(), @"no CAN frame but 3 packets with CAN XL frames, which are not read; record another bus");
        summary.skipped.unstamped = 1;
        insta::assert_snapshot!(summary.without_frames(), @"no CAN frame with a time: 1 packet without a time stamp; record it with time stamps");
        let (offset, reason) = (60, BadPacket::TimeStamp.into());
        summary.malformed.push(Malformed { offset, reason });
        let told = summary.without_frames();
        assert!(
            told.starts_with(
                "no CAN frame could be read: 1 packet or block cannot, the first at byte 60: "
            ),
            "{told}"
        );
        assert!(told.ends_with("; record it anew"), "{told}");
    }

    #[test]
    fn each_warning_is_one_plain_line() {
        let mut summary = Summary {
            buses: vec![bus(Some("can0"), 1), bus(None, 12), bus(Some("can2"), 0)],
            skipped: Skipped {
                other_link_type: 5,
                unstamped: 1,
                can_xl: 2,
                other_blocks: 7,
            },
            ending: Ending::Cut { offset: 1234 },
            ..Summary::default()
        };
        let (from_ns, to_ns) = (i64::MAX, i64::MAX - 1_500_000_000);
        let step = BackwardStep {
            bus: BusIndex::new(1),
            frame: 77,
            offset: 9,
            from_ns,
            to_ns,
        };
        summary.backward_steps.push(step);
        summary.backward_steps.push(step);
        let reason = BadPacket::ShortHeader(3).into();
        summary.malformed.push(Malformed { offset: 99, reason });
        let expected = [
            "the capture is cut off: its last block begins at byte 1234 and is not finished; all \
             before it was read",
            "the clock was set back twice while recording, first by 1.500 s at frame 77 on bus 1",
            "1 frame on can0 did not reach the capture",
            "12 frames on bus 1 did not reach the capture",
            "1 packet or block could not be read, the first at byte 99: the packet has 3 bytes; \
             the header alone takes 8",
            "5 packets of interfaces that are no CAN bus passed over",
            "1 packet without a time stamp passed over",
            "2 packets with CAN XL frames passed over",
        ];
        assert_eq!(summary.warnings(), expected);
        summary.ending = Ending::Damaged {
            offset: 7,
            reason: BadBlock::LengthTooSmall(4),
        };
        assert_eq!(
            summary.warnings()[0],
            "the capture is damaged at byte 7: the block length 4 is too small; nothing after it \
             was read"
        );
    }
}
