//! The receiving side: frames of one sender to its messages (ISO 15765-2:2016, 9.2 and 9.8).
//!
//! One [`Receiver`] serves one sender, that is one CAN identifier (and address byte). It also
//! reassembles traffic that is only listened to: then nobody sends the flow control it offers.

use super::pdu::{self, FlowControl, FlowStatus, Pdu, SeparationTime};
use super::{DEFAULT_TIMEOUT_NS, MAX_SHORT_MESSAGE_BYTES};

/// How a receiver behaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReceiverSettings {
    /// The first byte of every frame under extended or mixed addressing.
    pub address_byte: Option<u8>,
    /// Longest message taken, bytes. A first frame may state up to 4 GiB; a longer one than this
    /// is refused, and memory grows only with what arrives.
    pub max_message_bytes: usize,
    /// Consecutive frames between flow controls; 0: no further flow control (BS).
    pub block_size: u8,
    /// Least time that the sender keeps between them (STmin).
    pub separation: SeparationTime,
    /// Longest wait for a consecutive frame, ns (N_Cr).
    pub consecutive_timeout_ns: i64,
}

impl Default for ReceiverSettings {
    /// Normal addressing, messages to 4095 bytes, all in one block at full speed, 1000 ms.
    fn default() -> Self {
        Self {
            address_byte: None,
            max_message_bytes: MAX_SHORT_MESSAGE_BYTES,
            block_size: 0,
            separation: SeparationTime::NONE,
            consecutive_timeout_ns: DEFAULT_TIMEOUT_NS,
        }
    }
}

/// Where reception stands after a frame.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Progress {
    /// The frame was none of this connection's, or came out of place, and was ignored.
    Ignored,
    /// A message is under way.
    NeedMore {
        /// Bytes still to come.
        missing_bytes: usize,
    },
    /// A whole message.
    Complete(Vec<u8>),
    /// A message was refused because it is longer than `max_message_bytes`.
    TooLong {
        /// Its length, bytes.
        length: u32,
    },
}

/// Why a message that was under way ended without its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ReceiveFault {
    /// A consecutive frame came out of order (N_WRONG_SN): one was lost or doubled.
    #[error("the message broke off: part {found} came where part {expected} was due")]
    WrongSequence {
        /// Sequence number due, 0 to 15.
        expected: u8,
        /// Sequence number received.
        found: u8,
    },
    /// The next consecutive frame did not come in time (N_TIMEOUT_Cr).
    #[error("the message broke off after {received_bytes} of {length} bytes: no further part came")]
    Timeout {
        /// Bytes received until then.
        received_bytes: usize,
        /// Bytes announced.
        length: usize,
    },
    /// Its sender began another message (N_UNEXP_PDU).
    #[error("the message broke off after {received_bytes} of {length} bytes: another one began")]
    Interrupted {
        /// Bytes received until then.
        received_bytes: usize,
        /// Bytes announced.
        length: usize,
    },
}

/// What one frame brought about.
#[derive(Clone, Debug, PartialEq, Eq)]
#[must_use]
pub struct Received {
    /// Where reception stands.
    pub progress: Progress,
    /// Flow control owed to the sender, if this side takes part in the exchange.
    pub reply: Option<FlowControl>,
    /// How the message that was under way before this frame ended, if it ended badly.
    pub fault: Option<ReceiveFault>,
}

#[derive(Debug)]
struct Partial {
    message: Vec<u8>,
    length: usize,
    sequence: u8,
    /// Length of the first frame (RX_DL); all but the last frame have it.
    frame_bytes: usize,
    left_in_block: u8,
    deadline_ns: i64,
}

/// Reassembles the messages of one sender.
#[derive(Debug)]
pub struct Receiver {
    settings: ReceiverSettings,
    partial: Option<Partial>,
}

impl Receiver {
    /// A receiver that waits for a message.
    #[must_use]
    pub fn new(settings: ReceiverSettings) -> Self {
        Self {
            settings,
            partial: None,
        }
    }

    /// Takes the data bytes of a frame received at `t_ns`. All times come from one clock that
    /// does not step back.
    pub fn on_frame(&mut self, t_ns: i64, frame: &[u8]) -> Received {
        let timed_out = self.on_time(t_ns);
        let mut received = match pdu::read(frame, self.settings.address_byte) {
            Ok(Pdu::Single(message)) => self.single(message),
            Ok(Pdu::First { length, data }) => self.first(t_ns, frame.len(), length, data),
            Ok(Pdu::Consecutive { sequence, data }) => {
                self.consecutive(t_ns, frame.len(), sequence, data)
            }
            // Flow control answers this side's own messages; those are the sender's business.
            Ok(Pdu::FlowControl(_)) | Err(_) => IGNORED,
        };
        received.fault = timed_out.or(received.fault);
        received
    }

    /// Lets time pass: gives up the message under way if its next part is overdue at `t_ns`.
    pub fn on_time(&mut self, t_ns: i64) -> Option<ReceiveFault> {
        let overdue = self.partial.take_if(|partial| t_ns > partial.deadline_ns)?;
        Some(ReceiveFault::Timeout {
            received_bytes: overdue.message.len(),
            length: overdue.length,
        })
    }

    /// When [`Self::on_time`] should be called at the latest, ns; `None` while nothing is under way.
    #[must_use]
    pub fn deadline_ns(&self) -> Option<i64> {
        self.partial.as_ref().map(|partial| partial.deadline_ns)
    }

    fn single(&mut self, message: &[u8]) -> Received {
        let fault = self.interrupt();
        let progress = if message.len() > self.settings.max_message_bytes {
            Progress::TooLong {
                length: u32::try_from(message.len()).unwrap_or(u32::MAX),
            }
        } else {
            Progress::Complete(message.to_vec())
        };
        Received {
            progress,
            reply: None,
            fault,
        }
    }

    fn first(&mut self, t_ns: i64, frame_bytes: usize, length: u32, data: &[u8]) -> Received {
        let fault = self.interrupt();
        let accepted = usize::try_from(length)
            .ok()
            .filter(|&n| n <= self.settings.max_message_bytes);
        let Some(accepted) = accepted else {
            let progress = Progress::TooLong { length };
            return Received {
                progress,
                reply: Some(FlowControl::OVERFLOW),
                fault,
            };
        };
        self.partial = Some(Partial {
            message: data.to_vec(),
            length: accepted,
            sequence: 1,
            frame_bytes,
            left_in_block: self.settings.block_size,
            deadline_ns: self.next_deadline_ns(t_ns),
        });
        let progress = Progress::NeedMore {
            missing_bytes: accepted.saturating_sub(data.len()),
        };
        Received {
            progress,
            reply: Some(self.continue_to_send()),
            fault,
        }
    }

    fn consecutive(
        &mut self,
        t_ns: i64,
        frame_bytes: usize,
        sequence: u8,
        data: &[u8],
    ) -> Received {
        let deadline_ns = self.next_deadline_ns(t_ns);
        let continue_to_send = self.continue_to_send();
        let Some(partial) = &mut self.partial else {
            return IGNORED;
        };
        if sequence != partial.sequence {
            let fault = ReceiveFault::WrongSequence {
                expected: partial.sequence,
                found: sequence,
            };
            self.partial = None;
            return Received {
                fault: Some(fault),
                ..IGNORED
            };
        }
        let missing = partial.length.saturating_sub(partial.message.len());
        // 9.6.4: only the last frame may be shorter than the first one, and none longer.
        let full = frame_bytes == partial.frame_bytes;
        let holds_the_rest = frame_bytes < partial.frame_bytes && data.len() >= missing;
        if !full && !holds_the_rest {
            return IGNORED;
        }
        partial.message.extend(data.iter().take(missing));
        let missing_bytes = partial.length.saturating_sub(partial.message.len());
        if missing_bytes == 0 {
            let message = self
                .partial
                .take()
                .map(|partial| partial.message)
                .unwrap_or_default();
            return Received {
                progress: Progress::Complete(message),
                reply: None,
                fault: None,
            };
        }
        partial.sequence = (sequence + 1) & 0x0F;
        partial.deadline_ns = deadline_ns;
        let mut reply = None;
        if self.settings.block_size > 0 {
            partial.left_in_block -= 1;
            if partial.left_in_block == 0 {
                partial.left_in_block = self.settings.block_size;
                reply = Some(continue_to_send);
            }
        }
        Received {
            progress: Progress::NeedMore { missing_bytes },
            reply,
            fault: None,
        }
    }

    fn interrupt(&mut self) -> Option<ReceiveFault> {
        self.partial
            .take()
            .map(|partial| ReceiveFault::Interrupted {
                received_bytes: partial.message.len(),
                length: partial.length,
            })
    }

    fn continue_to_send(&self) -> FlowControl {
        FlowControl {
            status: FlowStatus::ContinueToSend,
            block_size: self.settings.block_size,
            separation: self.settings.separation,
        }
    }

    fn next_deadline_ns(&self, t_ns: i64) -> i64 {
        t_ns.saturating_add(self.settings.consecutive_timeout_ns)
    }
}

const IGNORED: Received = Received {
    progress: Progress::Ignored,
    reply: None,
    fault: None,
};

#[cfg(test)]
mod tests;
