//! Each manoeuvre is driven as its name and numbers say.

use slipwright_sample::drive::states;
use slipwright_sample::manoeuvre::{Kind, Manoeuvre};
use slipwright_sample::scenario::{DrivePlan, Scenario};
use slipwright_sample::surface::Surface;
use slipwright_sample::truth::{EngagementKind, Row, TrueEngagement};

struct Driven {
    rows: Vec<Row>,
    engagements: Vec<TrueEngagement>,
}

impl Driven {
    fn of(manoeuvre: Manoeuvre) -> Self {
        let plan = DrivePlan::new("one", vec![manoeuvre]).on(Surface::Wet);
        let scenario = Scenario {
            seed: 77,
            car_seed: 78,
            ..Scenario::default()
        }
        .with_drive(plan);
        let mut rows = Vec::new();
        let engagements = states(&scenario, 0, |row| rows.push(*row));
        Self { rows, engagements }
    }

    fn usual(kind: Kind) -> Self {
        Self::of(Manoeuvre::usual(kind))
    }

    /// Rows while the accelerator is pressed as hard as the manoeuvre says.
    fn pressed(&self, percent: f64) -> impl Iterator<Item = &Row> {
        let is_pressed = move |row: &&Row| row.pedal_percent > percent - 0.1;
        self.rows.iter().filter(is_pressed)
    }

    fn fastest_kmh(&self) -> f64 {
        let speeds = self.rows.iter().map(|row| row.state.forward_mps);
        3.6 * speeds.fold(f64::NEG_INFINITY, f64::max)
    }
}

#[test]
fn a_launch_starts_at_rest_and_a_tip_in_at_each_of_its_speeds() {
    let launch = Driven::usual(Kind::Launch);
    assert!(launch.engagements[0].kind == EngagementKind::Launch);
    assert!(launch.engagements[0].speed_mps < 0.5);
    for from_kmh in [15.0, 40.0, 70.0, 100.0] {
        let tip_in = Driven::of(Manoeuvre {
            from_mps: from_kmh / 3.6,
            throttle_percent: 90.0,
            ..Manoeuvre::usual(Kind::TipIn)
        });
        let e = &tip_in.engagements[0];
        assert_eq!(e.kind, EngagementKind::TipIn, "{from_kmh}");
        assert!((e.speed_mps * 3.6 - from_kmh).abs() < 3.0, "{from_kmh}");
        assert!((e.accelerator_percent - 90.0).abs() < 1e-9);
    }
}

#[test]
fn a_turn_in_is_steered_while_the_pedal_is_down() {
    for steering_deg in [220.0, -180.0] {
        let turn = Driven::of(Manoeuvre {
            steering_deg,
            ..Manoeuvre::usual(Kind::TurnIn)
        });
        assert_eq!(turn.engagements[0].kind, EngagementKind::TurnIn);
        let rows: Vec<&Row> = turn.pressed(60.0).collect();
        assert!(rows.len() > 200);
        for row in rows {
            assert!((row.steering_rad.to_degrees() - steering_deg).abs() < 1.0);
            assert!(row.state.yaw_rad_s * steering_deg > 0.0);
        }
    }
}

#[test]
fn a_coast_slows_down_without_pedals_in_and_out_of_gear() {
    for in_gear in [false, true] {
        let coast = Driven::of(Manoeuvre {
            in_gear,
            ..Manoeuvre::usual(Kind::Coast)
        });
        let free = |row: &&Row| row.pedal_percent == 0.0 && row.brake == 0.0;
        let rolling: Vec<&Row> = coast.rows.iter().filter(free).collect();
        assert!(rolling.len() > 5_000, "{in_gear}: {}", rolling.len());
        let geared = rolling.iter().filter(|row| row.gear != 0.0).count();
        assert_eq!(2 * geared > rolling.len(), in_gear);
        let (first, last) = (rolling[0], rolling[rolling.len() - 1]);
        assert!(last.state.forward_mps < first.state.forward_mps - 1.0);
    }
}

#[test]
fn braking_decelerates_as_asked() {
    for decel_mps2 in [1.5, 3.5, 5.5] {
        let brake = Driven::of(Manoeuvre {
            decel_mps2,
            ..Manoeuvre::usual(Kind::Brake)
        });
        let fast = |row: &&Row| row.brake > 0.0 && row.state.forward_mps > 5.0;
        let decels: Vec<f64> = brake
            .rows
            .iter()
            .skip(1000)
            .filter(fast)
            .map(|row| -row.flows.accel_long_mps2)
            .collect();
        let mean = decels.iter().sum::<f64>() / decels.len() as f64;
        // The pedal takes a moment, drag and engine help.
        assert!(
            (mean - decel_mps2).abs() < 0.25 * decel_mps2 + 0.3,
            "{mean}"
        );
        assert!(brake.rows.last().unwrap().state.forward_mps.abs() < 0.1);
    }
}

#[test]
fn a_tight_turn_is_at_walking_pace_on_full_lock() {
    let turn = Driven::usual(Kind::TightTurn);
    let locked = |row: &&Row| row.steering_rad.to_degrees() > 469.0;
    let rows: Vec<&Row> = turn.rows.iter().filter(locked).collect();
    assert!(rows.len() > 5_000);
    for row in &rows {
        let kmh = 3.6 * row.state.forward_mps;
        assert!((2.0..10.0).contains(&kmh), "{kmh}");
        assert_eq!(row.demand_percent, 0.0, "it opens to let the axles turn");
    }
    // Turning circle: the centre of gravity's path against the wheelbase over the tangent.
    let row = rows[rows.len() - 100];
    let radius_m = row.state.forward_mps / row.state.yaw_rad_s;
    let geometric_m = 2.70 / (470.0_f64.to_radians() / 15.5).tan();
    assert!(
        (radius_m / geometric_m - 1.0).abs() < 0.1,
        "{radius_m} {geometric_m}"
    );
}

#[test]
fn reverse_goes_backwards_and_ends_at_rest() {
    let reverse = Driven::usual(Kind::Reverse);
    let slowest = reverse.rows.iter().map(|row| row.state.forward_mps);
    let slowest_kmh = 3.6 * slowest.fold(f64::INFINITY, f64::min);
    assert!((-9.0..-3.0).contains(&slowest_kmh), "{slowest_kmh}");
    let backing = |row: &&Row| row.state.forward_mps < -0.5;
    assert!(
        reverse
            .rows
            .iter()
            .filter(backing)
            .all(|row| row.gear == -1.0)
    );
    assert!(reverse.rows.last().unwrap().state.forward_mps.abs() < 0.1);
}

#[test]
fn a_hill_start_holds_on_the_brake_and_climbs() {
    let hill = Driven::of(Manoeuvre {
        grade_percent: 15.0,
        throttle_percent: 80.0,
        ..Manoeuvre::usual(Kind::HillStart)
    });
    assert_eq!(hill.engagements[0].kind, EngagementKind::Launch);
    let rolled_back = hill.rows.iter().map(|row| row.state.forward_mps);
    assert!(rolled_back.fold(0.0, f64::min) > -0.6);
    let last = hill.rows.last().unwrap();
    // Work against the grade: weight times height.
    let height_m = last.state.distance_m * (0.15_f64).atan().sin();
    let work_j = -last.state.energy.grade_j;
    let whole_j = 1620.0 * 9.806_65 * height_m;
    assert!(work_j > 0.6 * whole_j, "{work_j} {whole_j}");
    assert!(hill.fastest_kmh() > 25.0);
}

#[test]
fn a_cruise_keeps_its_speed_and_a_stand_stays() {
    let cruise = Driven::of(Manoeuvre {
        seconds: 20.0,
        ..Manoeuvre::usual(Kind::Cruise)
    });
    let late = cruise.rows.len() - 8_000;
    for row in &cruise.rows[late..cruise.rows.len() - 600] {
        assert!((3.6 * row.state.forward_mps - 50.0).abs() < 2.0);
    }
    let stand = Driven::usual(Kind::Stand);
    assert!(
        stand
            .rows
            .iter()
            .all(|row| row.state.forward_mps.abs() < 0.05)
    );
    assert!(stand.engagements.is_empty());
}

#[test]
fn the_motorway_is_fast_and_an_everyday_drive_is_untidy() {
    let motorway = Driven::usual(Kind::Motorway);
    assert!((105.0..150.0).contains(&motorway.fastest_kmh()));
    let everyday = Driven::usual(Kind::Everyday);
    let seconds = everyday.rows.len() as f64 * 1e-3;
    assert!((295.0..320.0).contains(&seconds), "{seconds}");
    let mut pedals: Vec<i64> = everyday
        .engagements
        .iter()
        .map(|e| e.accelerator_percent.round() as i64)
        .collect();
    pedals.sort_unstable();
    pedals.dedup();
    assert!(pedals.len() >= 5, "{pedals:?}");
    let stops = everyday
        .rows
        .windows(2)
        .filter(|pair| pair[0].state.forward_mps > 0.3 && pair[1].state.forward_mps <= 0.3);
    assert!(stops.count() >= 2);
}

#[test]
fn a_circle_keeps_its_pace_and_the_coupling_closed_and_slips_through_turns() {
    let circle = Driven::usual(Kind::Circle);
    assert_eq!(circle.engagements.len(), 1, "closed once");
    let closed: Vec<&Row> = circle
        .rows
        .iter()
        .filter(|row| row.demand_percent > 0.0 && row.steering_rad.to_degrees() > 299.0)
        .collect();
    assert!(closed.len() > 18_000, "{}", closed.len());
    for row in closed.iter().skip(4_000) {
        let kmh = 3.6 * row.state.forward_mps;
        assert!((12.0..18.0).contains(&kmh), "{kmh}");
        assert_eq!(row.brake, 0.0);
    }
    // The front axle's path is longer, and the closed pack slips by the difference.
    let turns = (closed[closed.len() - 1].state.coupling_turn_rad
        - closed[0].state.coupling_turn_rad)
        / std::f64::consts::TAU;
    assert!(turns > 2.0, "{turns}");
}
