//! Truth: the true states in rows of a millisecond, and the true measures of each engagement by the
//! definitions of the project, taken from those rows without noise.

mod engagement;
mod levels;

pub use engagement::{EngagementFinder, EngagementKind, Thresholds, TrueEngagement};
pub use levels::histogram_states;

use crate::car::Car;
use crate::drivetrain::Flows;
use crate::state::{State, Vector};
use crate::surface::Surface;

/// Time between two rows, s.
pub const ROW_S: f64 = 0.001;

/// Rows of one table at most; a longer drive comes in several tables.
pub const TABLE_ROWS: usize = 60_000;

/// True states as columns of equal length, at 1 kHz.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TruthTable {
    /// Name and unit of each column; the first is `t_s`, s from the capture's first frame.
    pub names: Vec<(String, &'static str)>,
    /// Values, one vector a column.
    pub columns: Vec<Vec<f64>>,
}

impl TruthTable {
    /// Rows in the table.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.columns.first().map_or(0, Vec::len)
    }
}

/// One millisecond of the truth: the states and what goes with them.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Row {
    /// s from the drive's start.
    pub t_s: f64,
    /// The states.
    pub state: State,
    /// What flows.
    pub flows: Flows,
    /// Demand of the control unit, per cent.
    pub demand_percent: f64,
    /// Accelerator, per cent.
    pub pedal_percent: f64,
    /// Brake pedal, 0 to 1.
    pub brake: f64,
    /// Steering wheel angle, rad.
    pub steering_rad: f64,
    /// Gear.
    pub gear: f64,
    /// Supply voltage, V.
    pub supply_v: f64,
    /// Place of the manoeuvre under way in the drive's programme, counted from 0.
    pub manoeuvre: usize,
    /// Surfaces under the front left and front right wheels.
    pub surfaces: [Surface; 2],
    /// Speeds at the tyres' contact, m/s, by each wheel's own radius.
    pub contact_mps: [f64; 4],
    /// Front-rear slip, m/s (definition 4).
    pub slip_mps: f64,
    /// The same at the coupling, rad/s.
    pub slip_rad_s: f64,
}

impl Row {
    /// Completes a row: contact speeds and slip from the state.
    #[must_use]
    pub fn with_slip(mut self, car: &Car, radius_m: [f64; 4]) -> Self {
        let w = &self.state.wheel_rad_s;
        // A wheel sensor knows no direction, and neither do the definitions.
        self.contact_mps = std::array::from_fn(|i| (w[i] * radius_m[i]).abs());
        let v = &self.contact_mps;
        let (front, rear) = (0.5 * (v[0] + v[1]), 0.5 * (v[2] + v[3]));
        let turn = self.state.yaw_rad_s * car.body.wheelbase_m;
        self.slip_mps = front - (rear * rear + turn * turn).sqrt();
        self.slip_rad_s =
            car.driveline.rear_drive_ratio * self.slip_mps / car.tyres.rolling_radius_m;
        self
    }

    fn columns(&self, column: &mut dyn FnMut(&str, &'static str, f64)) {
        let f = &self.flows;
        column("demand_percent", "%", self.demand_percent);
        column("pedal_percent", "%", self.pedal_percent);
        column("brake_share", "1", self.brake);
        column("steering_rad", "rad", self.steering_rad);
        column("gear", "", self.gear);
        column("supply_v", "V", self.supply_v);
        column("slip_mps", "m/s", self.slip_mps);
        column("slip_rad_s", "rad/s", self.slip_rad_s);
        column("clutch_nm", "Nm", f.clutch_nm);
        column("coupling_nm", "Nm", f.coupling_nm);
        column("coupling_slip_rad_s", "rad/s", f.coupling_slip_rad_s);
        column("coupling_heat_w", "W", f.coupling_heat_w);
        column("front_axle_nm", "Nm", f.front_axle_nm);
        column("rear_axle_nm", "Nm", f.rear_axle_nm);
        column("accel_long_mps2", "m/s2", f.accel_long_mps2);
        column("accel_lat_mps2", "m/s2", f.accel_lat_mps2);
        column("pump_current_a", "A", f.hydraulics.current_a);
        column("pump_flow_m3_s", "m3/s", f.hydraulics.flow_m3_s);
        column("pack_n", "N", f.hydraulics.pack_n);
        column("piston_travel_m", "m", f.hydraulics.travel_m);
        for (i, name) in crate::state::WHEEL_NAMES.iter().enumerate() {
            column(
                &format!("contact_mps.{name}"),
                "m/s",
                self.contact_mps[i & 3],
            );
            column(&format!("tyre_long_n.{name}"), "N", f.tyre_long_n[i & 3]);
            column(&format!("tyre_lat_n.{name}"), "N", f.tyre_lat_n[i & 3]);
            column(&format!("load_n.{name}"), "N", f.load_n[i & 3]);
        }
    }
}

/// Gathers rows into tables.
#[derive(Debug, Default)]
pub struct TableBuilder {
    table: TruthTable,
    values: Vec<f64>,
}

impl TableBuilder {
    /// Adds a row; gives a full table when there is one.
    pub fn push(&mut self, row: &Row) -> Option<TruthTable> {
        if self.table.names.is_empty() {
            let names = &mut self.table.names;
            names.push(("t_s".to_owned(), "s"));
            State::columns("", &mut |name, unit| names.push((name, unit)), "");
            row.columns(&mut |name, unit, _| names.push((name.to_owned(), unit)));
            self.table.columns = vec![Vec::with_capacity(TABLE_ROWS); self.table.names.len()];
        }
        self.values.clear();
        self.values.push(row.t_s);
        row.state.push_values(&mut self.values);
        let values = &mut self.values;
        row.columns(&mut |_, _, value| values.push(value));
        for (column, value) in self.table.columns.iter_mut().zip(&self.values) {
            column.push(*value);
        }
        (self.table.rows() >= TABLE_ROWS).then(|| self.take())
    }

    /// What is left.
    pub fn take(&mut self) -> TruthTable {
        let empty = TruthTable {
            names: self.table.names.clone(),
            columns: vec![Vec::with_capacity(TABLE_ROWS); self.table.names.len()],
        };
        std::mem::replace(&mut self.table, empty)
    }
}
