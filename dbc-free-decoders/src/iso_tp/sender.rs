//! The sending side: one message to frames, at the receiver's pace (ISO 15765-2:2016, 9.2, 9.8).
//!
//! The caller asks [`Sender::poll`] what to do next, sends the frames it gives, and hands the
//! peer's frames to [`Sender::on_frame`].

use super::DEFAULT_TIMEOUT_NS;
use super::framing::Framing;
use super::pdu::{self, FlowControl, FlowStatus, Pdu, SeparationTime};

/// How a sender behaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SenderSettings {
    /// Layout of the frames sent.
    pub framing: Framing,
    /// The first byte of the peer's frames under extended or mixed addressing.
    pub peer_address_byte: Option<u8>,
    /// Longest wait for flow control, ns (N_Bs).
    pub flow_control_timeout_ns: i64,
    /// Most WAIT answers in a row before the message is given up.
    pub max_waits: u32,
}

impl Default for SenderSettings {
    /// Classic frames, normal addressing, 1000 ms, 10 waits.
    fn default() -> Self {
        Self {
            framing: Framing::CLASSIC,
            peer_address_byte: None,
            flow_control_timeout_ns: DEFAULT_TIMEOUT_NS,
            max_waits: 10,
        }
    }
}

/// The message cannot be sent at all.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum MessageError {
    /// It has no bytes.
    #[error("an empty message cannot be sent")]
    Empty,
    /// Its length does not fit 32 bits.
    #[error("a message of more than 4294967295 bytes cannot be sent")]
    TooLong,
}

/// Why sending ended before the message did.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SendFault {
    /// No flow control came in time (N_TIMEOUT_Bs).
    #[error("the control unit did not say whether to continue (no flow control in time)")]
    Timeout,
    /// The receiver refused the message as too long (N_BUFFER_OVFLW).
    #[error("the control unit refused the message as too long")]
    Overflow,
    /// The receiver asked to wait more often than allowed.
    #[error("the control unit asked to wait {0} times in a row")]
    TooManyWaits(u32),
    /// The flow status is a reserved code (N_INVALID_FS).
    #[error("the control unit answered with the reserved flow status {0}")]
    ReservedStatus(u8),
}

/// What the caller does next.
#[derive(Clone, Debug, PartialEq, Eq)]
#[must_use]
pub enum Step {
    /// Send these data bytes now, then poll again.
    Send(Vec<u8>),
    /// Poll again at this time, ns: the receiver wants a pause.
    Pause {
        /// Not before, ns.
        until_ns: i64,
    },
    /// Flow control is due: hand in frames, and poll again at the latest after this time, ns.
    AwaitFlowControl {
        /// Latest, ns.
        until_ns: i64,
    },
    /// All is sent.
    Done,
}

#[derive(Clone, Copy, Debug)]
enum State {
    Start,
    AwaitFlowControl {
        deadline_ns: i64,
        waits: u32,
    },
    Sending {
        not_before_ns: i64,
        /// Frames until the next flow control; `None`: no further one comes.
        left_in_block: Option<u8>,
    },
    Done,
    Failed(SendFault),
}

/// Sends one message.
#[derive(Debug)]
pub struct Sender {
    settings: SenderSettings,
    message: Vec<u8>,
    length: u32,
    sent_bytes: usize,
    sequence: u8,
    /// The first CTS fixes block size and pace for the whole message, as the Linux kernel's
    /// ISO-TP does (net/can/isotp.c, `isotp_rcv_fc`).
    pace: Option<(u8, SeparationTime)>,
    state: State,
}

impl Sender {
    /// A sender for `message`.
    ///
    /// # Errors
    /// When the message is empty or its length does not fit 32 bits.
    pub fn new(message: Vec<u8>, settings: SenderSettings) -> Result<Self, MessageError> {
        let length = u32::try_from(message.len()).map_err(|_| MessageError::TooLong)?;
        if message.is_empty() {
            return Err(MessageError::Empty);
        }
        let state = State::Start;
        Ok(Self {
            settings,
            message,
            length,
            sent_bytes: 0,
            sequence: 1,
            pace: None,
            state,
        })
    }

    /// What to do at `t_ns`. A frame that is given counts as sent at `t_ns`.
    ///
    /// # Errors
    /// When the message is given up; every later call gives the same error.
    pub fn poll(&mut self, t_ns: i64) -> Result<Step, SendFault> {
        match self.state {
            State::Start => Ok(Step::Send(self.start(t_ns))),
            State::AwaitFlowControl { deadline_ns, .. } if t_ns > deadline_ns => {
                self.fail(SendFault::Timeout)
            }
            State::AwaitFlowControl { deadline_ns, .. } => Ok(Step::AwaitFlowControl {
                until_ns: deadline_ns,
            }),
            State::Sending { not_before_ns, .. } if t_ns < not_before_ns => Ok(Step::Pause {
                until_ns: not_before_ns,
            }),
            State::Sending { left_in_block, .. } => {
                Ok(Step::Send(self.consecutive(t_ns, left_in_block)))
            }
            State::Done => Ok(Step::Done),
            State::Failed(fault) => Err(fault),
        }
    }

    /// Takes the data bytes of a frame that the peer sent at `t_ns`. Only flow control matters,
    /// and only when it is due.
    pub fn on_frame(&mut self, t_ns: i64, frame: &[u8]) {
        let State::AwaitFlowControl { deadline_ns, waits } = self.state else {
            return;
        };
        let Ok(Pdu::FlowControl(content)) = pdu::read(frame, self.settings.peer_address_byte)
        else {
            return;
        };
        self.state = if t_ns > deadline_ns {
            State::Failed(SendFault::Timeout)
        } else {
            self.after_flow_control(t_ns, waits, content)
        };
    }

    fn after_flow_control(&mut self, t_ns: i64, waits: u32, content: FlowControl) -> State {
        match content.status {
            FlowStatus::ContinueToSend => {
                let (block_size, _) = *self
                    .pace
                    .get_or_insert((content.block_size, content.separation));
                State::Sending {
                    not_before_ns: t_ns,
                    left_in_block: (block_size > 0).then_some(block_size),
                }
            }
            FlowStatus::Wait if waits >= self.settings.max_waits => {
                State::Failed(SendFault::TooManyWaits(waits.saturating_add(1)))
            }
            FlowStatus::Wait => State::AwaitFlowControl {
                deadline_ns: self.deadline_ns(t_ns),
                waits: waits + 1,
            },
            FlowStatus::Overflow => State::Failed(SendFault::Overflow),
            FlowStatus::Reserved(code) => State::Failed(SendFault::ReservedStatus(code)),
        }
    }

    fn start(&mut self, t_ns: i64) -> Vec<u8> {
        if let Some(frame) = self.settings.framing.single(&self.message) {
            self.state = State::Done;
            return frame;
        }
        let (frame, carried) = self.settings.framing.first(self.length, &self.message);
        self.sent_bytes = carried;
        self.state = State::AwaitFlowControl {
            deadline_ns: self.deadline_ns(t_ns),
            waits: 0,
        };
        frame
    }

    fn consecutive(&mut self, t_ns: i64, left_in_block: Option<u8>) -> Vec<u8> {
        let left = self.message.get(self.sent_bytes..).unwrap_or_default();
        let (frame, carried) = self.settings.framing.consecutive(self.sequence, left);
        self.sent_bytes += carried;
        self.sequence = (self.sequence + 1) & 0x0F;
        let left_in_block = left_in_block.map(|n| n.saturating_sub(1));
        self.state = if self.sent_bytes >= self.message.len() {
            State::Done
        } else if left_in_block == Some(0) {
            State::AwaitFlowControl {
                deadline_ns: self.deadline_ns(t_ns),
                waits: 0,
            }
        } else {
            let pause_ns = self.pace.map_or(0, |(_, separation)| separation.as_ns());
            State::Sending {
                not_before_ns: t_ns.saturating_add(pause_ns),
                left_in_block,
            }
        };
        frame
    }

    fn fail(&mut self, fault: SendFault) -> Result<Step, SendFault> {
        self.state = State::Failed(fault);
        Err(fault)
    }

    fn deadline_ns(&self, t_ns: i64) -> i64 {
        t_ns.saturating_add(self.settings.flow_control_timeout_ns)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: i64 = 1_000_000;
    const CONTINUE: [u8; 3] = [0x30, 0, 0];

    fn sender(length: usize) -> Sender {
        let message = (0..length).map(|i| i as u8).collect();
        Sender::new(message, SenderSettings::default()).unwrap()
    }

    fn await_until(until_ns: i64) -> Result<Step, SendFault> {
        Ok(Step::AwaitFlowControl { until_ns })
    }

    /// A request of one frame: tester to control unit 03 01 31 51, as published for ISO-TP single
    /// frames; filled to 8 bytes as ISO 15765-4 asks.
    #[test]
    fn a_short_message_is_one_frame() {
        let mut sender = Sender::new(vec![0x01, 0x31, 0x51], SenderSettings::default()).unwrap();
        let frame = vec![0x03, 0x01, 0x31, 0x51, 0xCC, 0xCC, 0xCC, 0xCC];
        assert_eq!(sender.poll(0), Ok(Step::Send(frame)));
        assert_eq!(sender.poll(0), Ok(Step::Done));
        assert!(matches!(
            Sender::new(vec![], SenderSettings::default()),
            Err(MessageError::Empty)
        ));
    }

    #[test]
    fn blocks_and_pauses_are_kept() {
        let mut sender = sender(34); // 6 in the first frame, then 4 of 7
        assert_eq!(
            sender.poll(0),
            Ok(Step::Send(vec![0x10, 34, 0, 1, 2, 3, 4, 5]))
        );
        assert_eq!(sender.poll(1), await_until(1000 * MS));
        sender.on_frame(5 * MS, &[0x30, 2, 0xF5]);
        assert_eq!(
            sender.poll(5 * MS),
            Ok(Step::Send(vec![0x21, 6, 7, 8, 9, 10, 11, 12]))
        );
        let until_ns = 5 * MS + 500_000;
        assert_eq!(sender.poll(5 * MS + 1), Ok(Step::Pause { until_ns }));
        assert!(matches!(sender.poll(until_ns), Ok(Step::Send(frame)) if frame[0] == 0x22));
        assert_eq!(sender.poll(until_ns), await_until(until_ns + 1000 * MS));
        // The first answer's pace stays: the second one's block size and time are not taken.
        sender.on_frame(6 * MS, &[0x30, 1, 0x7F]);
        assert!(matches!(sender.poll(6 * MS), Ok(Step::Send(frame)) if frame[0] == 0x23));
        assert_eq!(
            sender.poll(6 * MS),
            Ok(Step::Pause {
                until_ns: 6 * MS + 500_000
            })
        );
        assert!(matches!(sender.poll(7 * MS), Ok(Step::Send(frame)) if frame[0] == 0x24));
        assert_eq!(sender.poll(7 * MS), Ok(Step::Done));
    }

    #[test]
    fn wait_starts_the_time_anew_up_to_a_limit() {
        let mut sender = sender(20);
        let _ = sender.poll(0);
        sender.on_frame(900 * MS, &[0x31, 0, 0]);
        assert_eq!(sender.poll(1800 * MS), await_until(1900 * MS));
        sender.on_frame(1800 * MS, &CONTINUE);
        assert!(matches!(sender.poll(1800 * MS), Ok(Step::Send(_))));

        let mut sender = self::sender(20);
        let _ = sender.poll(0);
        for _ in 0..10 {
            sender.on_frame(0, &[0x31, 0, 0]);
            assert_eq!(sender.poll(0), await_until(1000 * MS));
        }
        sender.on_frame(0, &[0x31, 0, 0]);
        assert_eq!(sender.poll(0), Err(SendFault::TooManyWaits(11)));
    }

    #[test]
    fn faults_end_the_message_for_good() {
        let cases: [(i64, &[u8], SendFault); 3] = [
            (0, &[0x32, 0, 0], SendFault::Overflow),
            (0, &[0x33, 0, 0], SendFault::ReservedStatus(3)),
            (1001 * MS, &CONTINUE, SendFault::Timeout),
        ];
        for (t_ns, frame, fault) in cases {
            let mut sender = sender(20);
            let _ = sender.poll(0);
            sender.on_frame(t_ns, frame);
            assert_eq!(sender.poll(t_ns), Err(fault));
            sender.on_frame(t_ns, &CONTINUE);
            assert_eq!(sender.poll(t_ns), Err(fault));
        }
        let mut sender = sender(20);
        let _ = sender.poll(0);
        assert_eq!(sender.poll(1000 * MS), await_until(1000 * MS));
        assert_eq!(sender.poll(1000 * MS + 1), Err(SendFault::Timeout));
    }

    #[test]
    fn flow_control_out_of_place_is_ignored() {
        let mut sender = sender(20);
        sender.on_frame(0, &CONTINUE);
        let _ = sender.poll(0);
        sender.on_frame(0, &[0x02, 0x41, 0x0C]);
        sender.on_frame(0, &[0x30]);
        assert_eq!(sender.poll(0), await_until(1000 * MS));
    }
}
