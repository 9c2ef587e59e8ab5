//! Answers to diagnostic requests that happen to be in a capture: OBD-II current values as known
//! quantities beside the unknown ones.

use std::collections::BTreeMap;

use super::survey::Survey;
use crate::iso_tp::pdu::{self, Pdu};
use crate::obd2::addressing::ControlUnit;
use crate::obd2::current_data_answer;
use crate::unit::Unit;

/// One value that a control unit told when asked.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Told {
    /// Name as in [`crate::obd2::parameter`].
    pub(crate) name: &'static str,
    pub(crate) unit: Unit,
    pub(crate) t_ns: Vec<i64>,
    pub(crate) values: Vec<f64>,
}

/// Every value told in single frames, by name; of several units that tell one, the first.
pub(crate) fn told(survey: &Survey) -> Vec<Told> {
    let mut all: BTreeMap<&'static str, Told> = BTreeMap::new();
    let ids = survey.buses.iter().flat_map(|bus| bus.ids.iter().skip(1));
    for id in ids.filter(|id| ControlUnit::from_answer(id.id).is_some()) {
        let mut here: BTreeMap<&'static str, Told> = BTreeMap::new();
        for (t_ns, data) in id.rows.iter() {
            let Ok(Pdu::Single(message)) = pdu::read(data, None) else {
                continue;
            };
            let Ok(answer) = current_data_answer(message) else {
                continue;
            };
            for reading in answer.readings {
                let told = here.entry(reading.name).or_insert_with(|| Told {
                    name: reading.name,
                    unit: reading.unit,
                    t_ns: Vec::new(),
                    values: Vec::new(),
                });
                told.t_ns.push(t_ns);
                told.values.push(reading.value);
            }
        }
        for (name, told) in here {
            all.entry(name).or_insert(told);
        }
    }
    all.into_values().collect()
}

/// The value of a name, if told often enough to compare with.
pub(crate) fn of<'a>(told: &'a [Told], name: &str) -> Option<&'a Told> {
    const LEAST: usize = 20;
    told.iter()
        .find(|told| told.name == name && told.values.len() >= LEAST)
}
