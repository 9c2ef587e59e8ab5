//! What a CAN interface is set to, asked of the kernel by netlink, and the two things that may be
//! asked of it: to only listen, and to restart after bus-off.

use socketcan::CanCtrlMode;
use socketcan::nl::{CanInterface, InterfaceDetails};

use super::core::BusFacts;

/// The bit of an error frame's class that says bus-off (linux/can/error.h).
pub const ERROR_BUS_OFF: u32 = 0x40;
/// The bit that says the controller was restarted.
pub const ERROR_RESTARTED: u32 = 0x100;

/// What the interface is set to; nothing known where the kernel does not say.
#[must_use]
pub fn facts(name: &str) -> BusFacts {
    details(name).map_or(BusFacts::default(), |details| BusFacts {
        bit_rate_bps: details
            .can
            .bit_timing
            .map(|t| u64::from(t.bitrate))
            .filter(|&b| b > 0),
        data_bit_rate_bps: details
            .can
            .data_bit_timing
            .map(|t| u64::from(t.bitrate))
            .filter(|&b| b > 0),
        listen_only: details
            .can
            .ctrl_mode
            .map(|modes| modes.has_mode(CanCtrlMode::ListenOnly)),
    })
}

/// Whether the interface is there and up.
#[must_use]
pub fn is_up(name: &str) -> bool {
    details(name).is_some_and(|details| details.is_up)
}

fn details(name: &str) -> Option<InterfaceDetails> {
    CanInterface::open(name).ok()?.details().ok()
}

/// Asks a controller to only listen. Returns what a person should know, if that is not so in the
/// end.
#[must_use]
pub fn ask_to_only_listen(name: &str) -> Option<String> {
    let interface = CanInterface::open(name).ok()?;
    let details = interface.details().ok()?;
    let Some(modes) = details.can.ctrl_mode else {
        return Some(format!(
            "{name} tells of no listen-only mode: nothing is sent, but a controller behind it may \
             acknowledge what others send"
        ));
    };
    if modes.has_mode(CanCtrlMode::ListenOnly) {
        return None;
    }
    let by_hand = format!(
        "ip link set {name} down; ip link set {name} type can listen-only on; ip link set {name} up"
    );
    if details.is_up {
        return Some(format!(
            "{name} is not in listen-only mode: nothing is sent, but its controller acknowledges \
             what others send; to change that: {by_hand}"
        ));
    }
    match interface.set_ctrlmode(CanCtrlMode::ListenOnly, true) {
        Ok(()) => None,
        Err(_) => Some(format!(
            "{name} was not allowed into listen-only mode; as root: {by_hand}"
        )),
    }
}

/// Restarts a controller that went bus-off. Returns what to tell.
#[must_use]
pub fn restart(name: &str) -> String {
    let restarted = CanInterface::open(name)
        .map_err(|_| "it is gone".to_owned())
        .and_then(|interface| {
            interface
                .restart()
                .map_err(|error| crate::system_error::plain(&error))
        });
    match restarted {
        Ok(()) => format!("{name} was restarted after bus-off"),
        Err(why) => format!(
            "{name} is bus-off and was not restarted ({why}); to have the kernel do it: \
             ip link set {name} type can restart-ms 100"
        ),
    }
}
