//! Slip that hides: how much of the coupling a drive tested.
//!
//! A locked pack on dry road shows little slip whatever it is worth, so a drive that never asked for
//! much says nothing of the lining. This module holds what was tested, in per cent of the torque that
//! the pack carries at its highest pressure, and says in words which manoeuvre would test more. The
//! numbers come from [`crate::measures`].

use serde::{Deserialize, Serialize};

use crate::measure::{Measured, Missing};

/// How much of the coupling's rated torque one engagement tested.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tested {
    /// Torque that the pack carried, per cent of what it carries at its highest pressure.
    pub percent: Measured,
    /// Whether it is only known that it carried no more.
    pub upper_bound: bool,
    /// How long the pack slipped while it was held, s: then all of its torque was tested.
    pub slipped_s: f64,
}

impl Default for Tested {
    fn default() -> Self {
        Self {
            percent: Err(Missing::NotIdentifiable("the coupling was not tested")),
            upper_bound: false,
            slipped_s: 0.0,
        }
    }
}

/// How much of the coupling a drive tested.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct TestedDrive {
    /// The most that an engagement of the drive tested.
    pub most: Tested,
    /// Engagements in which the pack slipped under torque.
    pub slipped: usize,
    /// Engagements of the drive.
    pub engagements: usize,
    /// What a manoeuvre would bring to the coupling.
    pub reach: Reach,
}

/// What a launch in first gear brings to the coupling, at the highest engine torque of the drive.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Reach {
    /// That engine torque, N·m.
    pub engine_nm: Option<f64>,
    /// Per cent of the rated torque where all four tyres grip.
    pub gripping_percent: Option<f64>,
    /// Per cent of it where the front tyres find no grip and everything goes to the rear.
    pub rear_alone_percent: Option<f64>,
}

/// A pack that carried this many per cent of its rated torque without slipping has shown what it is
/// worth.
const ENOUGH_PERCENT: f64 = 75.0;

impl TestedDrive {
    /// Whether the drive tested the lining: the pack slipped under torque, or carried most of its rated
    /// torque.
    #[must_use]
    pub fn is_enough(&self) -> bool {
        let carried = self.most.percent.as_ref().ok();
        self.slipped > 0
            || (!self.most.upper_bound && carried.is_some_and(|e| e.value >= ENOUGH_PERCENT))
    }

    /// What was tested, in a plain sentence.
    #[must_use]
    pub fn sentence(&self) -> String {
        let percent = match &self.most.percent {
            Ok(e) if self.most.upper_bound => format!("at most {:.0} %", e.value),
            Ok(e) => format!("{:.0} %", e.value),
            Err(why) => {
                return match self.slipped {
                    0 => format!("how much of the coupling was tested is not known: {why}"),
                    n => format!(
                        "the pack slipped under torque in {n} of {} engagements, so its lining was tested",
                        self.engagements
                    ),
                };
            }
        };
        match (self.slipped, self.is_enough()) {
            (0, true) => {
                format!("the pack carried {percent} of its rated torque without slipping")
            }
            (0, false)
                if self.most.upper_bound
                    && self
                        .most
                        .percent
                        .as_ref()
                        .is_ok_and(|e| e.value >= ENOUGH_PERCENT) =>
            {
                format!(
                    "the pack never slipped under torque and carried {percent} of its rated torque: it is not known whether its lining was tested"
                )
            }
            (0, false) => format!(
                "the pack never slipped under torque and carried {percent} of its rated torque: too little to test its lining"
            ),
            (n, _) => format!(
                "the pack slipped under torque in {n} of {} engagements and carried {percent} of its rated torque",
                self.engagements
            ),
        }
    }

    /// Which manoeuvre would test the lining; `None` where the drive did.
    #[must_use]
    pub fn manoeuvre(&self) -> Option<String> {
        if self.is_enough() {
            return None;
        }
        let reach = &self.reach;
        let launch = "launch from rest in first gear with the accelerator well down";
        Some(
            match (
                reach.engine_nm,
                reach.gripping_percent,
                reach.rear_alone_percent,
            ) {
                (Some(engine), Some(grip), Some(alone)) if grip < ENOUGH_PERCENT => format!(
                    "{launch}, front wheels on loose ground, on a closed road: at this drive's highest engine torque of {engine:.0} N·m four gripping tyres bring {grip:.0} % of the rated torque to the coupling, and front wheels without grip up to {:.0} %",
                    alone.min(999.0)
                ),
                (Some(engine), Some(grip), _) => format!(
                    "{launch}, straight, on a closed road: at this drive's highest engine torque of {engine:.0} N·m that brings about {grip:.0} % of the rated torque to the coupling"
                ),
                _ => format!(
                    "{launch}, straight, on a closed road, also with the front wheels on loose ground"
                ),
            },
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::Estimate;

    fn drive(percent: f64, slipped: usize) -> TestedDrive {
        TestedDrive {
            most: Tested {
                percent: Ok(Estimate {
                    value: percent,
                    u: 5.0,
                    method: "",
                    samples: 100,
                }),
                upper_bound: false,
                slipped_s: 0.0,
            },
            slipped,
            engagements: 8,
            reach: Reach {
                engine_nm: Some(210.0),
                gripping_percent: Some(62.0),
                rear_alone_percent: Some(138.0),
            },
        }
    }

    #[test]
    fn too_little_demand_is_said_with_what_would_test() {
        let gentle = drive(34.0, 0);
        assert!(!gentle.is_enough());
        insta::assert_snapshot!(gentle.sentence(), @"the pack never slipped under torque and carried 34 % of its rated torque: too little to test its lining");
        insta::assert_snapshot!(gentle.manoeuvre().unwrap(), @"launch from rest in first gear with the accelerator well down, front wheels on loose ground, on a closed road: at this drive's highest engine torque of 210 N·m four gripping tyres bring 62 % of the rated torque to the coupling, and front wheels without grip up to 138 %");
    }

    /// What was carried may have been anything below the bound.
    #[test]
    fn a_bound_is_no_finding() {
        let bounded = |percent: f64| {
            let mut bounded = drive(percent, 0);
            bounded.most.upper_bound = true;
            bounded
        };
        assert!(!bounded(90.0).is_enough() && bounded(90.0).manoeuvre().is_some());
        insta::assert_snapshot!(bounded(90.0).sentence(), @"the pack never slipped under torque and carried at most 90 % of its rated torque: it is not known whether its lining was tested");
        insta::assert_snapshot!(bounded(40.0).sentence(), @"the pack never slipped under torque and carried at most 40 % of its rated torque: too little to test its lining");
    }

    #[test]
    fn a_pack_that_slipped_or_carried_most_was_tested() {
        assert!(drive(80.0, 0).is_enough() && drive(20.0, 3).is_enough());
        assert_eq!(drive(80.0, 0).manoeuvre(), None);
        insta::assert_snapshot!(drive(60.0, 3).sentence(), @"the pack slipped under torque in 3 of 8 engagements and carried 60 % of its rated torque");
        let unknown = TestedDrive {
            slipped: 0,
            ..TestedDrive::default()
        };
        assert!(unknown.sentence().contains("not known") && unknown.manoeuvre().is_some());
    }
}
