//! What pedals and brake control tell, whichever unit they come in.

use slipwright_decoders::role::Role;
use slipwright_decoders::unit::Quantity;

use super::{Channel, Drive};
use crate::statistics::quantile::quantile;

/// Factor to per cent of an accelerator: without a unit it runs from 0 to 1 or from 0 to 100.
pub(crate) fn percent_factor(accelerator: &Channel) -> f64 {
    let top = accelerator.value().iter().copied().fold(0.0, f64::max);
    if accelerator.quantity == Quantity::Bare && top <= 1.0 {
        100.0
    } else {
        1.0
    }
}

/// From which value on the brake pedal counts as pressed: clear of its rest by a step that its
/// quantity makes plain (2 %, 1 bar, half a switch).
pub(crate) fn pressed_above(brake: &Channel) -> f64 {
    let rest = quantile(brake.value(), 0.01).unwrap_or(0.0);
    rest + match brake.quantity {
        Quantity::Percent => 2.0,
        Quantity::Pressure => 1.0,
        _ => 0.5,
    }
}

/// The given ones of brake, anti-lock braking and traction control that the bus carries, each with
/// the value above which it is at work.
pub(crate) fn at_work_above<'a>(drive: &'a Drive, roles: &[Role]) -> Vec<(&'a Channel, f64)> {
    let channels = roles.iter().filter_map(|&role| drive.channel(role).ok());
    channels
        .map(|channel| match channel.role {
            Role::PedalBrake => (channel, pressed_above(channel)),
            _ => (channel, 0.5),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use slipwright_decoders::signal::Signals;
    use slipwright_decoders::unit::Unit;

    use super::*;
    use crate::trial::{series, vehicle};

    fn drive(role: Role, unit: Unit, most: f64) -> Drive {
        let t: Vec<f64> = (0..100).map(|i| f64::from(i) * 0.02).collect();
        let pedal = series(role, unit, &t, |t| if t < 1.0 { 0.0 } else { most });
        Drive::from_signals(
            &Signals {
                series: vec![pedal],
            },
            &vehicle(),
        )
    }

    #[test]
    fn an_accelerator_is_per_cent_whatever_it_came_in() {
        for (unit, most, percent) in [
            (Unit::Bare, 1.0, 100.0),
            (Unit::Bare, 80.0, 80.0),
            (Unit::Percent, 1.0, 1.0),
        ] {
            let drive = drive(Role::PedalAccelerator, unit, most);
            let pedal = drive.channel(Role::PedalAccelerator).unwrap();
            assert_eq!(percent_factor(pedal) * most, percent, "{unit:?} {most}");
        }
    }

    #[test]
    fn brakes_and_brake_control_have_their_own_limits() {
        let limit = |role, unit| {
            let drive = drive(role, unit, 50.0);
            let found = at_work_above(&drive, &[Role::PedalBrake, Role::AbsActive]);
            found.iter().map(|(_, limit)| *limit).collect::<Vec<f64>>()
        };
        assert_eq!(limit(Role::PedalBrake, Unit::Bar), [1.0]);
        assert_eq!(limit(Role::PedalBrake, Unit::Percent), [2.0]);
        assert_eq!(limit(Role::AbsActive, Unit::Bare), [0.5]);
        assert!(limit(Role::TractionActive, Unit::Bare).is_empty());
    }
}
