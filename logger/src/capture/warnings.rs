//! What a summary has to say, in plain lines.

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
                counted(
                    self.malformed.count(),
                    "packet or block",
                    "packets or blocks"
                ),
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
                let packets = counted(count, "packet", "packets");
                lines.push(format!("{packets} {what} passed over"));
            }
        }
        lines.extend(self.text.iter().flat_map(bad_lines));
        lines
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
