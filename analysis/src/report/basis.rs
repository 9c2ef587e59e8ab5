//! What the numbers rest on: the drives, the transfer methods and their assumptions, and the car as
//! its file describes it.

use maud::{Markup, html};

use super::campaign::Campaign;
use super::page::{literal, wide_table};
use super::reasons::Reasons;
use crate::book::Moment;
use crate::chart::Side;
use crate::measure::Measured;
use crate::measures::DriveMeasures;
use crate::number;
use crate::vehicle::{Coupling, Driveline, Geometry, Mass, PressureLaw, Tyres, Vehicle};
use crate::words;

/// Three tables.
pub(super) fn part(campaign: &Campaign<'_>) -> Markup {
    html! {
        h3 { "The drives" }
        (drives(&named_drives(campaign)))
        h3 { "The transfer fraction" }
        (transfer(campaign))
        h3 { "The car, as its file describes it" }
        (car(campaign.vehicle))
    }
}

/// Every drive, as the page calls it.
fn named_drives<'a>(campaign: &Campaign<'a>) -> Vec<(String, &'a DriveMeasures)> {
    let of = |side: Side| {
        let drives = campaign.drives(side).iter();
        let name = move |i| format!("{} {i}", words::capital(side.text()));
        (1..).zip(drives).map(move |(i, drive)| (name(i), drive))
    };
    Side::BOTH.into_iter().flat_map(of).collect()
}

/// The drives that a page rests on, each with the page's name for it.
pub(super) fn drives(named: &[(String, &DriveMeasures)]) -> Markup {
    if named.is_empty() {
        return html! { p.why { "There are none." } };
    }
    let mut reasons = Reasons::default();
    let rows: Vec<Markup> = named
        .iter()
        .map(|(name, drive)| drive_row(name, drive, &mut reasons))
        .collect();
    let table = html! {
        table {
            caption {
                "Drives, with the noise of slip and each wheel's rolling radius over the rear mean "
                span.why { "(± is one standard uncertainty)" }
            }
            thead { tr {
                th scope="col" { "Drive" }
                th scope="col" { "Capture" }
                th scope="col" { "Begins" }
                th.number scope="col" { "Length" br; span.unit { "s" } }
                th.number scope="col" { "Frames" }
                th.number scope="col" { "Engagements" }
                th.number scope="col" { "Slip noise" br; span.unit { "m/s" } }
                @for wheel in ["Front left", "Front right", "Rear left", "Rear right"] {
                    th.number scope="col" { (wheel) }
                }
            } }
            tbody { @for row in &rows { (row) } }
        }
    };
    html! {
        div.dense {
            (wide_table("The drives", &table))
            (reasons.list(std::iter::empty()))
        }
    }
}

fn drive_row(name: &str, drive: &DriveMeasures, reasons: &mut Reasons) -> Markup {
    let ratio = &drive.radius_ratio;
    html! {
        tr {
            th.moment scope="row" { (name) }
            td.capture { (literal(&drive.name)) }
            td.moment { (Moment::minute_text(drive.start_ns)) }
            td.number { (number::rounded_to(drive.duration_s, 0.5)) }
            td.number { (number::whole(usize::try_from(drive.frames).unwrap_or(usize::MAX))) }
            td.number { (drive.engagements.len()) }
            td.number { (measured(&drive.noise_slip_mps, reasons)) }
            @for wheel in [&ratio.front_left, &ratio.front_right, &ratio.rear_left, &ratio.rear_right] {
                td.number { (measured(wheel, reasons)) }
            }
        }
    }
}

fn measured(value: &Measured, reasons: &mut Reasons) -> String {
    match value {
        Ok(estimate) => number::with_uncertainty(estimate.value, estimate.u),
        Err(missing) => reasons.letter_for(Some(missing.to_string())),
    }
}

/// One line of the table of methods.
struct Method {
    name: &'static str,
    assumption: &'static str,
    counts: [usize; 2],
    bounds: usize,
}

fn transfer(campaign: &Campaign<'_>) -> Markup {
    let mut methods: Vec<Method> = Vec::new();
    for (i, side) in Side::BOTH.into_iter().enumerate() {
        for estimate in campaign.engagements(side).flat_map(|(_, e)| &e.transfer) {
            let known = methods.iter().position(|m| {
                m.name == estimate.method.text() && m.assumption == estimate.assumption
            });
            let place = known.unwrap_or_else(|| {
                methods.push(Method {
                    name: estimate.method.text(),
                    assumption: estimate.assumption,
                    counts: [0; 2],
                    bounds: 0,
                });
                methods.len() - 1
            });
            if let Some(method) = methods.get_mut(place)
                && estimate.fraction.is_ok()
            {
                if let Some(count) = method.counts.get_mut(i) {
                    *count += 1;
                }
                method.bounds += usize::from(estimate.upper_bound);
            }
        }
    }
    if methods.is_empty() {
        return html! { p.why { "It was not estimated." } };
    }
    let table = html! {
        table {
            caption { "Methods of the transfer fraction, and what each takes for granted" }
            thead { tr {
                th scope="col" { "Method" }
                th scope="col" { "Takes for granted" }
                th.number scope="col" { "Values before" }
                th.number scope="col" { "Values after" }
                th.number scope="col" { "Only upper bounds" }
            } }
            tbody {
                @for method in &methods {
                    tr {
                        th scope="row" { (method.name) }
                        td { (method.assumption) }
                        @for count in method.counts { td.number { (count) } }
                        td.number { (method.bounds) }
                    }
                }
            }
        }
    };
    wide_table("Methods of the transfer fraction", &table)
}

fn car(vehicle: &Vehicle) -> Markup {
    // No rest pattern anywhere: a key that is added to the file asks for its line here.
    let Vehicle {
        name: _,
        decoder,
        geometry,
        tyres: Tyres { rolling_radius_m },
        mass,
        driveline,
        coupling,
    } = vehicle;
    let Geometry {
        wheelbase_m,
        track_front_m,
        track_rear_m,
    } = geometry;
    let Mass {
        kg,
        rear_share,
        centre_height_m,
    } = mass;
    let Driveline {
        gear_ratios,
        final_drive,
        rear_drive_ratio,
        efficiency,
    } = driveline;
    let Coupling {
        friction_surfaces,
        outer_radius_m,
        inner_radius_m,
        pressure_law,
        piston_area_m2,
        return_force_n,
        friction_coefficient,
        max_pressure_bar,
        clearance_m,
        pump_flow_m3_s,
        nominal_dead_time_ms,
        nominal_rise_time_ms,
    } = coupling;
    let plain = |value: &Option<f64>| value.map(exact);
    let gears = gear_ratios.as_ref().map(|ratios| {
        ratios
            .iter()
            .map(|ratio| exact(*ratio))
            .collect::<Vec<_>>()
            .join(", ")
    });
    let law = pressure_law.map(|law| {
        match law {
            PressureLaw::UniformPressure => "uniform pressure",
            PressureLaw::UniformWear => "uniform wear",
        }
        .to_owned()
    });
    let given: [(&str, &str, Option<String>); 23] = [
        ("Wheelbase", "m", plain(wheelbase_m)),
        ("Front track", "m", plain(track_front_m)),
        ("Rear track", "m", plain(track_rear_m)),
        ("Rolling radius of the tyres", "m", plain(rolling_radius_m)),
        ("Mass as tested", "kg", plain(kg)),
        ("Share of the mass on the rear axle", "", plain(rear_share)),
        (
            "Height of the centre of gravity",
            "m",
            plain(centre_height_m),
        ),
        ("Gear ratios", "", gears),
        ("Final drive", "", plain(final_drive)),
        (
            "Coupling shaft over rear wheels",
            "",
            plain(rear_drive_ratio),
        ),
        ("Driveline efficiency", "", plain(efficiency)),
        (
            "Friction surfaces",
            "",
            friction_surfaces.map(|n| n.to_string()),
        ),
        ("Outer radius of the lining", "m", plain(outer_radius_m)),
        ("Inner radius of the lining", "m", plain(inner_radius_m)),
        ("Pressure law", "", law),
        ("Piston area", "m²", plain(piston_area_m2)),
        ("Return force", "N", plain(return_force_n)),
        ("Friction coefficient", "", plain(friction_coefficient)),
        ("Highest pressure", "bar", plain(max_pressure_bar)),
        ("Clearance", "m", plain(clearance_m)),
        ("Pump flow", "m³/s", plain(pump_flow_m3_s)),
        ("Dead time when healthy", "ms", plain(nominal_dead_time_ms)),
        ("Rise time when healthy", "ms", plain(nominal_rise_time_ms)),
    ];
    let table = html! {
        table.car {
            caption { "Values of the vehicle file" }
            thead { tr { th scope="col" { "Value" } th.number scope="col" { "Given as" } } }
            tbody {
                @for (name, unit, value) in &given {
                    tr {
                        th scope="row" { (name) }
                        td.number {
                            @match value {
                                Some(value) => { (value) @if !unit.is_empty() { "\u{a0}" (unit) } }
                                None => span.why { "not given" },
                            }
                        }
                    }
                }
            }
        }
    };
    html! {
        p { "Decoder file: " (literal(decoder)) }
        (wide_table("The car", &table))
    }
}

/// A number as the owner wrote it.
fn exact(value: f64) -> String {
    if !value.is_finite() {
        return number::NO_NUMBER.to_owned();
    }
    if (1e-4..1e6).contains(&value.abs()) || value == 0.0 {
        value.to_string()
    } else {
        format!("{value:e}")
    }
    .replace('-', "−")
}
