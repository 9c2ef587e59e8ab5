//! Rise time (definition 7): from 10 % to 90 % of pressure's step, ms (transition duration of IEEE
//! Std 181-2011). It needs no reference.

use slipwright_decoders::role::Role;

use super::view::{View, placed};
use crate::measure::{Estimate, Measured, Missing};

pub(super) fn rise_time_ms(view: &View<'_>) -> Measured {
    view.pressure_crossing(0.1)?;
    view.pressure_crossing(0.9)?;
    let rise = view.rise.as_ref().map_err(Clone::clone)?;
    let role = Role::CouplingPressure;
    let time = rise
        .between(0.1, 0.9)
        .ok_or(Missing::NoCrossing { role, percent: 90 })?;
    placed(rise, time)?;
    Ok(Estimate {
        value: time.t_s * 1e3,
        u: time.u_s * 1e3,
        method: rise.method(),
        samples: rise.samples,
    })
}
