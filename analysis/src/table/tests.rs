//! Tables have the columns, units and nulls that they promise.

use polars::prelude::{ParquetReader, SerReader};
use slipwright_decoders::role::Role;
use slipwright_decoders::unit::Unit;

use super::*;
use crate::trial::{series, span, vehicle};

fn small() -> Signals {
    let t: Vec<f64> = (0..50).map(|i| f64::from(i) * 0.01).collect();
    let mut all: Vec<_> = Role::WHEELS
        .map(|role| series(role, Unit::KilometrePerHour, &t, |t| 36.0 + t))
        .to_vec();
    all.push(series(
        Role::CouplingPressure,
        Unit::Kilopascal,
        &t[10..20],
        |_| 250.0,
    ));
    Signals { series: all }
}

#[test]
fn signals_keep_their_own_units_in_long_form() {
    let mut frame = super::signals(&small()).unwrap();
    assert_eq!(
        frame.get_column_names(),
        ["t_ns", "signal", "value", "unit"]
    );
    assert_eq!(frame.height(), 4 * 50 + 10);
    let text = String::from_utf8(csv(&mut frame).unwrap()).unwrap();
    assert!(
        text.starts_with(
            "t_ns,signal,value,unit\n1700000000000000000,wheel_speed.front_left,36.0,km/h\n"
        ),
        "{}",
        &text[..100]
    );
    assert!(text.contains(",coupling.pressure,250.0,kPa\n"));
}

#[test]
fn parquet_reads_back_as_written() {
    let mut frame = super::signals(&small()).unwrap();
    let bytes = parquet(&mut frame).unwrap();
    let back = ParquetReader::new(std::io::Cursor::new(bytes))
        .finish()
        .unwrap();
    assert!(back.equals(&frame));
}

#[test]
fn a_table_of_no_engagements_still_has_its_columns() {
    let signals = small();
    let drive = crate::measures::measure_drive("d", &signals, span(&signals), &vehicle());
    let mut frame = engagements(&[drive], &[]).unwrap();
    assert_eq!(frame.height(), 0);
    let columns = [
        "dead_time_ms",
        "dead_time_ms_why",
        "transfer_balance_upper_bound",
        "tested_percent_u",
        "slipped_s",
    ];
    assert!(columns.iter().all(|name| frame.column(name).is_ok()));
    assert!(!parquet(&mut frame).unwrap().is_empty());
}
