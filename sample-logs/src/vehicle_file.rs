//! The vehicle file of the simulated car: what a workshop knows of the healthy car. It holds the
//! parameters as built and never what is wrong with the car, so the file of a before set and of an
//! after set are the same.

use std::fmt::Write;

use crate::bench::bench_step;
use crate::car::Car;
use crate::hydraulics::PA_PER_BAR;

/// Name under which the decoder file lies beside it.
pub const DECODER_FILE: &str = "decoder.toml";

/// The file's text.
#[must_use]
pub fn to_toml(car: &Car) -> String {
    let (b, d, c, h) = (&car.body, &car.driveline, &car.coupling, &car.hydraulics);
    let gears: Vec<String> = d.gear_ratios.iter().map(|g| number(*g)).collect();
    // Flow against half of the working pressure with warm oil and a full battery, at the voltage
    // that the current leaves: what a workshop would read on a bench.
    let working_pa = 0.5 * h.max_pressure_bar * PA_PER_BAR;
    let per_rad = h.pump_displacement_m3 / std::f64::consts::TAU;
    let current = (per_rad * working_pa + h.motor_friction_nm) / h.motor_constant_v_s;
    let speed = (12.5 - current * h.motor_resistance_ohm) / h.motor_constant_v_s;
    let flow = (per_rad * speed - h.pump_leakage_m3_s_pa / 18.0 * working_pa).max(0.0);
    let mut coupling = vec![
        ("friction_surfaces", c.friction_surfaces.to_string()),
        ("outer_radius_m", number(c.outer_radius_m)),
        ("inner_radius_m", number(c.inner_radius_m)),
        ("pressure_law", "\"uniform_pressure\"".to_owned()),
        ("piston_area_m2", number(h.piston_area_m2)),
        ("return_force_n", number(h.touch_n(c.clearance_m))),
        ("friction_coefficient", number(c.friction_coefficient)),
        ("max_pressure_bar", number(h.max_pressure_bar)),
        ("clearance_m", number(c.clearance_m)),
        ("pump_flow_m3_s", format!("{flow:.3e}")),
    ];
    if let Some(step) = bench_step(car) {
        coupling.push((
            "nominal_dead_time_ms",
            format!("{:.0}.0", step.dead_time_ms),
        ));
        coupling.push((
            "nominal_rise_time_ms",
            format!("{:.0}.0", step.rise_time_ms),
        ));
    }
    let sections: [(&str, Vec<(&str, String)>); 5] = [
        (
            "geometry",
            vec![
                ("wheelbase_m", number(b.wheelbase_m)),
                ("track_front_m", number(b.track_front_m)),
                ("track_rear_m", number(b.track_rear_m)),
            ],
        ),
        (
            "tyres",
            vec![("rolling_radius_m", number(car.tyres.rolling_radius_m))],
        ),
        ("mass", vec![("kg", number(b.mass_kg))]),
        (
            "driveline",
            vec![
                ("gear_ratios", format!("[{}]", gears.join(", "))),
                ("final_drive", number(d.final_drive)),
                ("rear_drive_ratio", number(d.rear_drive_ratio)),
                ("efficiency", number(d.front_efficiency)),
            ],
        ),
        ("coupling", coupling),
    ];
    let name = toml::Value::String(car.name.clone());
    let mut text = format!("name = {name}\ndecoder = {DECODER_FILE:?}\n");
    for (section, keys) in sections {
        // Writing to a string cannot fail.
        let _ = write!(text, "\n[{section}]\n");
        for (key, value) in keys {
            let _ = writeln!(text, "{key} = {value}");
        }
    }
    text
}

/// A number as TOML wants it: always with a point or an exponent.
fn number(value: f64) -> String {
    format!("{value:?}")
}
