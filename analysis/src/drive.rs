//! Drives: one recording's signals, aligned.
//!
//! Signals come in as decoded, each with its own stamps. [`Drive::from_signals`] brings them to core
//! units and puts them on the wheel speeds' time base. What is measured against its own stamps
//! (pressure and demand crossings) is taken from the [`Channel`], never from the aligned columns,
//! because alignment adds time uncertainty.

mod channel;
mod column;
mod pedals;
mod smoothing;
mod stamps;
mod wheel_faults;

use std::ops::Range;

use rayon::iter::Either;
use rayon::prelude::*;
use slipwright_decoders::role::Role;
use slipwright_decoders::signal::{Series, Signals};
use slipwright_decoders::unit::Quantity;

pub use self::channel::{Channel, at_seconds, seconds_between};
use self::channel::{KeepOrder, kept_counts};
pub use self::column::Column;
pub(crate) use self::pedals::{at_work_above, percent_factor, pressed_above};
pub(crate) use self::smoothing::{centred_average, centred_slope};
use self::stamps::Batches;
use self::wheel_faults::implausible;
pub(crate) use self::wheel_faults::{Fault, WheelFault};
use crate::measure::Missing;
use crate::vehicle::Vehicle;

/// Readings without a time of their own are told of from this share of a signal's on.
const SAME_STAMP_SHARE: f64 = 0.01;

/// One drive's signals in core units, and the wheel speeds' time base.
#[derive(Clone, Debug, PartialEq)]
pub struct Drive {
    base_ns: Vec<i64>,
    /// The wheel that the base was taken from.
    base_role: Role,
    /// Decoded wheel speeds on the base, m/s, before any radius correction.
    wheel_mps: [Result<Column, Missing>; 4],
    channels: Vec<Channel>,
    /// Roles that were received but cannot be used, and why.
    unusable: Vec<(Role, Missing)>,
    /// Readings of wheels that were left out.
    wheel_faults: Vec<WheelFault>,
    warnings: Vec<String>,
}

impl Drive {
    /// Aligns decoded signals. Never fails: what is not there is asked for later and missing then.
    ///
    /// The time base is that of the wheel speed with the most samples; the other wheels are
    /// interpolated onto it, never across a gap longer than their timeout or an invalid sample.
    /// Readings that no wheel can have count as invalid.
    #[must_use]
    pub fn from_signals(signals: &Signals, vehicle: &Vehicle) -> Self {
        let found: Vec<(Role, &Series)> = Role::ALL
            .iter()
            .filter_map(|&role| Some((role, signals.role(role)?)))
            .collect();
        let mut warnings = Vec::new();
        let order = keep_order(&found, &mut warnings);
        let batches = Batches::of(&found);
        warnings.extend(batches.as_ref().map(Batches::sentence));
        let order = (order, batches.as_ref());
        let (channels, unusable) =
            found.par_iter().partition_map(|&(role, series)| {
                match convert(role, series, order, vehicle) {
                    Ok(channel) => Either::Left(channel),
                    Err(why) => Either::Right((role, why)),
                }
            });
        let mut drive = Self {
            base_ns: Vec::new(),
            base_role: Role::WheelSpeedFrontLeft,
            wheel_mps: Role::WHEELS.map(|role| Err(Missing::Role(role))),
            channels,
            unusable,
            wheel_faults: Vec::new(),
            warnings,
        };
        drive.tell_same_stamps();
        drive.leave_out_implausible();
        let longest = Role::WHEELS
            .iter()
            .filter_map(|&role| drive.channel(role).ok())
            .reduce(|best, c| {
                if c.t_ns().len() > best.t_ns().len() {
                    c
                } else {
                    best
                }
            });
        if let Some((role, base_ns)) = longest.map(|c| (c.role, c.t_ns().to_vec())) {
            drive.base_role = role;
            drive.base_ns = base_ns;
        }
        let aligned: Vec<_> = Role::WHEELS
            .par_iter()
            .map(|&role| drive.aligned(role))
            .collect();
        for (own, aligned) in drive.wheel_mps.iter_mut().zip(aligned) {
            *own = aligned;
        }
        drive
    }

    /// A reading that bears the stamp of the one before it has no time of its own.
    fn tell_same_stamps(&mut self) {
        let told = self.channels.iter().filter_map(|c| {
            let left_out = c.same_stamp();
            let many = left_out as f64 > SAME_STAMP_SHARE * c.t_ns().len() as f64;
            many.then(|| {
                format!(
                    "{left_out} readings of {} bear the time of the one before and are left out",
                    c.role
                )
            })
        });
        self.warnings.extend(told);
    }

    /// Takes out of the wheel speeds what no wheel can have.
    fn leave_out_implausible(&mut self) {
        let found: Vec<_> = Role::WHEELS
            .par_iter()
            .map(|&role| {
                let wheels = Role::WHEELS.iter().filter(|&&other| other != role);
                let others: Vec<&Channel> = wheels.filter_map(|&r| self.channel(r).ok()).collect();
                let brake = self.channel(Role::PedalBrake).ok();
                self.channel(role)
                    .map_or_else(|_| Vec::new(), |wheel| implausible(wheel, &others, brake))
            })
            .collect();
        for (role, found) in Role::WHEELS.into_iter().zip(found) {
            let Some(place) = self.channels.iter().position(|c| c.role == role) else {
                continue;
            };
            if found.is_empty() {
                continue;
            }
            for fault in [Fault::Away, Fault::Stood] {
                self.wheel_faults
                    .extend(WheelFault::of(&self.channels[place], fault, &found));
            }
            let wheel = self.channels.remove(place);
            let ranges = found.into_iter().map(|(_, range)| range);
            self.channels.insert(place, wheel.without(ranges));
        }
        self.warnings
            .extend(self.wheel_faults.iter().map(WheelFault::sentence));
    }

    /// Readings of wheels that cannot be true and were left out.
    pub(crate) fn wheel_faults(&self) -> &[WheelFault] {
        &self.wheel_faults
    }

    /// The time base: stamps of the wheel speed with the most samples, ns since the epoch.
    #[must_use]
    pub fn base_ns(&self) -> &[i64] {
        &self.base_ns
    }

    /// The wheel that the base was taken from.
    pub(crate) fn base_role(&self) -> Role {
        self.base_role
    }

    /// Whether the base runs on without a gap from sample `i` to `i + 1`.
    #[must_use]
    pub fn base_joined(&self, i: usize) -> bool {
        self.channel(self.base_role).is_ok_and(|c| c.joined(i))
    }

    /// Time from sample `i` of the base to the next, s; 0 at its end and across a gap.
    #[must_use]
    pub fn step_s(&self, i: usize) -> f64 {
        if self.base_joined(i) {
            seconds_between(self.base_ns[i], self.base_ns[i + 1])
        } else {
            0.0
        }
    }

    /// Indices of the base with `from_ns <= t <= to_ns`.
    #[must_use]
    pub fn base_range(&self, from_ns: i64, to_ns: i64) -> Range<usize> {
        let start = self.base_ns.partition_point(|&t| t < from_ns);
        let end = self.base_ns.partition_point(|&t| t <= to_ns);
        start..end.max(start)
    }

    /// A column's value at a time, linear between its neighbours on the base; `None` across a gap.
    #[must_use]
    pub fn column_at(&self, column: &Column, t_ns: i64) -> Option<f64> {
        let i = self
            .base_ns
            .partition_point(|&t| t <= t_ns)
            .checked_sub(1)?;
        let v = column.get(i)?;
        if self.base_ns[i] == t_ns {
            return Some(v);
        }
        let next = column.get(i + 1).filter(|_| self.base_joined(i))?;
        let span_s = seconds_between(self.base_ns[i], self.base_ns[i + 1]);
        Some(v + seconds_between(self.base_ns[i], t_ns) / span_s * (next - v))
    }

    /// Decoded wheel speeds on the base, m/s: front left, front right, rear left, rear right.
    pub fn wheel_mps(&self) -> &[Result<Column, Missing>; 4] {
        &self.wheel_mps
    }

    /// Every usable signal, in the order of the list of roles.
    #[must_use]
    pub fn channels(&self) -> &[Channel] {
        &self.channels
    }

    /// A signal against its own stamps.
    ///
    /// # Errors
    /// [`Missing::Role`] if the capture has no valid sample of it; [`Missing::VehicleKey`] if a key
    /// is needed to bring it to its core unit.
    pub fn channel(&self, role: Role) -> Result<&Channel, Missing> {
        self.channels
            .iter()
            .find(|c| c.role == role)
            .ok_or_else(|| {
                self.unusable
                    .iter()
                    .find(|(r, _)| *r == role)
                    .map_or(Missing::Role(role), |(_, why)| why.clone())
            })
    }

    /// A signal on the time base: states are held, all else is interpolated linearly.
    ///
    /// # Errors
    /// As [`Drive::channel`].
    pub fn aligned(&self, role: Role) -> Result<Column, Missing> {
        self.aligned_to(role, &self.base_ns)
    }

    /// The values of a role at other times, in their order.
    ///
    /// # Errors
    /// As [`Self::channel`].
    pub(crate) fn aligned_to(&self, role: Role, t_ns: &[i64]) -> Result<Column, Missing> {
        Ok(self.channel(role)?.aligned(t_ns, role.is_state()))
    }

    /// What a reader of the numbers must know of the alignment, in plain sentences.
    #[must_use]
    pub fn warnings(&self) -> &[String] {
        &self.warnings
    }
}

fn convert(
    role: Role,
    series: &Series,
    order: (KeepOrder, Option<&Batches>),
    vehicle: &Vehicle,
) -> Result<Channel, Missing> {
    let unit = series.unit;
    let quantity = unit.quantity();
    let channel = if Role::WHEELS.contains(&role) && quantity == Quantity::AngularSpeed {
        let radius_m = vehicle.rolling_radius_m()?;
        let key = (role, Quantity::Speed);
        Channel::from_series(key, series, order, |raw| unit.in_core(raw) * radius_m)
    } else {
        Channel::from_series((role, quantity), series, order, |raw| unit.in_core(raw))
    };
    channel.ok_or(Missing::Role(role))
}

/// One rule for the whole drive, so that what is kept of two signals belongs to the same pass.
fn keep_order(found: &[(Role, &Series)], warnings: &mut Vec<String>) -> KeepOrder {
    let stepped: Vec<&&Series> = found
        .iter()
        .map(|(_, s)| s)
        .filter(|s| s.t_ns.windows(2).any(|w| w[1] < w[0]))
        .collect();
    if stepped.is_empty() {
        return KeepOrder::Earlier;
    }
    let (earlier, later) = stepped
        .iter()
        .map(|s| kept_counts(&s.t_ns))
        .fold((0, 0), |sum, kept| (sum.0 + kept.0, sum.1 + kept.1));
    let all: usize = stepped.iter().map(|s| s.t_ns.len()).sum();
    warnings.push(format!(
        "the recording's clock stepped backwards; {} samples of times that occur twice are left out",
        all - earlier.max(later)
    ));
    if later > earlier {
        KeepOrder::Later
    } else {
        KeepOrder::Earlier
    }
}

#[cfg(test)]
mod tests;
