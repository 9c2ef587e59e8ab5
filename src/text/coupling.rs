//! What a drive tells of the coupling as a whole, as lines for people.

use std::fmt::Write;

use slipwright_analysis::coupling_model::Parameter;
use slipwright_analysis::measures::DriveMeasures;
use slipwright_analysis::number;

/// The fitted model, what was tested, and ground speed; one line each.
pub(super) fn lines(drive: &DriveMeasures) -> String {
    let parameters = drive.coupling_model.parameters();
    let mut text = String::new();
    let told: Vec<String> = parameters
        .iter()
        .filter_map(|(name, p, unit)| told(name, p, unit))
        .collect();
    // Writing to a string cannot fail.
    if !told.is_empty() {
        let _ = writeln!(text, "  coupling: {}", told.join(", "));
    }
    for (name, parameter, _) in parameters {
        if let Err(why) = &parameter.estimate {
            let _ = writeln!(text, "  {name} unknown: {why}");
        }
    }
    // What was not tested is among the drive's warnings.
    if drive.tested.is_enough() {
        let _ = writeln!(text, "  tested: {}", drive.tested.sentence());
    }
    let ground = &drive.ground_speed;
    if let (Ok(scale), Ok(lag)) = (&ground.scale, &ground.lag_s) {
        let _ = writeln!(
            text,
            "  ground speed: {} of the wheels', {} s later",
            number::with_uncertainty(scale.value, scale.u),
            number::with_uncertainty(lag.value, lag.u),
        );
    }
    text
}

fn told(name: &str, parameter: &Parameter, unit: &str) -> Option<String> {
    let estimate = parameter.estimate.as_ref().ok()?;
    let value = number::with_uncertainty(estimate.value, estimate.u);
    Some(format!("{name} {value} {unit}"))
}
