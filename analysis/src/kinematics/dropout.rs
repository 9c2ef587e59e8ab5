//! The speed below which a wheel sensor tells nothing: it reports a floor value until the wheel
//! turns fast enough, then jumps to the true speed.

use slipwright_decoders::role::Role;

use crate::drive::{Channel, Drive};
use crate::statistics::quantile::quantile;

/// Assumed where the drive does not show it: passive wheel sensors lose their signal at one to two
/// km/h. Common practice, no source.
const DEFAULT_DROPOUT_MPS: f64 = 0.5;

/// Below this no wheel speed is trusted even if the sensor seems to tell it: it is within the
/// resolution of the usual codes and cannot be told from rest.
const LEAST_DROPOUT_MPS: f64 = 0.1;

/// A repeated lowest value above this is slow driving, not a sensor's floor.
const HIGHEST_FLOOR_MPS: f64 = 1.5;

/// A wheel within this of its floor stands, m/s.
const NEAR_FLOOR_MPS: f64 = 0.05;

/// So many equal samples in a row are a floor.
const FLOOR_RUN: usize = 5;

/// The speed below which slip is missing, m/s: the largest of the wheels' own.
#[must_use]
pub(super) fn dropout_mps(drive: &Drive) -> f64 {
    let wheels: Vec<&Channel> = Role::WHEELS
        .iter()
        .filter_map(|&role| drive.channel(role).ok())
        .collect();
    wheels
        .iter()
        .map(|wheel| wheel_dropout_mps(wheel, &wheels))
        .reduce(f64::max)
        .unwrap_or(DEFAULT_DROPOUT_MPS)
}

/// One wheel's: the lower quartile of the speeds next to a floor run, where the floor is left and
/// reached. Without a floor run, slow values that are there show that the sensor tells them.
fn wheel_dropout_mps(wheel: &Channel, wheels: &[&Channel]) -> f64 {
    let value = wheel.value();
    let floor = lowest(wheel);
    if floor > HIGHEST_FLOOR_MPS {
        return DEFAULT_DROPOUT_MPS;
    }
    let others: Vec<(&Channel, f64)> = wheels
        .iter()
        .filter(|other| other.role != wheel.role)
        .map(|other| (*other, lowest(other)))
        .collect();
    let beside = beside_floor(wheel, floor, &others);
    let told = match quantile(&beside, 0.25) {
        Some(speed) => speed,
        None if value.iter().all(|&v| v == floor) => DEFAULT_DROPOUT_MPS,
        None if floor < DEFAULT_DROPOUT_MPS => LEAST_DROPOUT_MPS,
        None => DEFAULT_DROPOUT_MPS,
    };
    told.clamp(LEAST_DROPOUT_MPS, HIGHEST_FLOOR_MPS)
}

fn lowest(wheel: &Channel) -> f64 {
    wheel.value().iter().copied().fold(f64::INFINITY, f64::min)
}

/// Speeds of the samples next to a run at the floor. A run during which every other wheel rolls is no
/// standstill but a sensor that fails.
fn beside_floor(wheel: &Channel, floor: f64, others: &[(&Channel, f64)]) -> Vec<f64> {
    let stands = |i: usize| {
        let mut slow = others.iter().filter_map(|(other, floor)| {
            let speed = other.at(wheel.t_ns()[i])?;
            Some(speed <= floor + NEAR_FLOOR_MPS)
        });
        slow.clone().next().is_none() || slow.any(|slow| slow)
    };
    let value = wheel.value();
    let mut beside = Vec::new();
    let mut i = 0;
    while i < value.len() {
        if value[i] != floor {
            i += 1;
            continue;
        }
        let start = i;
        while i < value.len() && value[i] == floor {
            i += 1;
        }
        if i - start < FLOOR_RUN || ![start, (start + i) / 2, i - 1].into_iter().any(stands) {
            continue;
        }
        if start > 0 && wheel.joined(start - 1) {
            beside.push(value[start - 1]);
        }
        if i < value.len() && wheel.joined(i - 1) {
            beside.push(value[i]);
        }
    }
    beside
}
