//! Plays a capture as a running recorder does: the recorder's own core, files and socket, fed with
//! the capture's frames at the pace at which they came. Only the kernel's CAN is left out.
//!
//!     recorder_double CAPTURE VEHICLE OUT SOCKET [SECONDS]
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::cell::RefCell;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::time::Duration;

use slipwright_analysis::vehicle::Vehicle;
use slipwright_decoders::decoder_file::DecoderFile;
use slipwright_decoders::frame::MAX_DATA_BYTES;
use slipwright_logger::capture::{Capture, Event};
use slipwright_logger::recorder::clock::{Clock, SystemClock};
use slipwright_logger::recorder::control::{Reply, Request, Server};
use slipwright_logger::recorder::core::{BusFacts, Plan, Recorder};
use slipwright_logger::recorder::lifecycle::{End, Limits};
use slipwright_logger::recorder::sidecar::About;
use slipwright_logger::recorder::signals::{Geometry, LiveSignals};
use slipwright_logger::recorder::source::{Batch, Received};
use slipwright_logger::recorder::store::DiskStore;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [capture, vehicle, out, socket] = [0, 1, 2, 3].map(|i| PathBuf::from(&arguments[i]));
    let seconds = arguments.get(4).map(|s| s.parse().unwrap());
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    tokio::task::LocalSet::new()
        .block_on(&runtime, play(&capture, &vehicle, &out, &socket, seconds));
}

/// A capture's buses, and its frames with their bus and time, s.
fn frames(path: &Path) -> (Vec<String>, Vec<(f64, usize, Received)>) {
    let (mut buses, mut frames) = (Vec::new(), Vec::new());
    let mut first_ns = None;
    let read = Capture::open(path).unwrap().read(|event| {
        match event {
            Event::Bus(_, interface) => buses.push(interface.name.clone().unwrap_or_default()),
            Event::Frame(frame) => {
                let first = *first_ns.get_or_insert(frame.t_ns);
                let mut bytes = [0; MAX_DATA_BYTES];
                bytes[..frame.data.len()].copy_from_slice(frame.data);
                let received = Received {
                    real_ns: 0,
                    hardware_ns: None,
                    id: frame.id,
                    flags: frame.flags,
                    length: u8::try_from(frame.data.len()).unwrap(),
                    bytes,
                };
                let at_s = (frame.t_ns - first) as f64 / 1e9;
                frames.push((at_s, frame.bus.as_usize(), received));
            }
            _ => {}
        }
        ControlFlow::Continue(())
    });
    read.unwrap();
    (buses, frames)
}

fn plan(out: &Path) -> Plan {
    Plan {
        out: out.to_owned(),
        limits: Limits {
            quiet_after_ns: 5_000_000_000,
            file_bytes: 512 << 20,
            file_ns: 3_600_000_000_000,
        },
        about: About {
            vehicle: None,
            odometer_km: None,
            notes: String::new(),
            conditions: String::new(),
        },
        compress: false,
        keep_free_bytes: 64 << 20,
    }
}

async fn play(capture: &Path, vehicle: &Path, out: &Path, socket: &Path, seconds: Option<f64>) {
    let text = std::fs::read_to_string(vehicle).unwrap();
    let car = Vehicle::parse(&text).unwrap();
    let decoder = vehicle.parent().unwrap().join(&car.decoder);
    let decoder = DecoderFile::parse(&std::fs::read_to_string(decoder).unwrap()).unwrap();
    let (buses, frames) = frames(capture);

    std::fs::create_dir_all(out).unwrap();
    let server = Server::open(socket).unwrap();
    let clock = SystemClock;
    let mut recorder = Recorder::new(plan(out), DiskStore::start(out).unwrap(), clock.now());
    recorder.set_signals(LiveSignals::new(
        decoder.file,
        Geometry {
            wheelbase_m: car.geometry.wheelbase_m,
            track_rear_m: car.geometry.track_rear_m,
            rolling_radius_m: car.tyres.rolling_radius_m,
        },
    ));
    let ids: Vec<_> = buses
        .iter()
        .map(|name| {
            let id = recorder.add_bus(name);
            let facts = BusFacts {
                bit_rate_bps: Some(500_000),
                data_bit_rate_bps: None,
                listen_only: Some(true),
            };
            recorder.opened(id, facts, clock.now());
            id
        })
        .collect();
    let recorder = Rc::new(RefCell::new(recorder));
    let answering = Rc::clone(&recorder);
    let answer = Rc::new(RefCell::new(move |request| {
        let now = SystemClock.now();
        let mut recorder = answering.borrow_mut();
        match request {
            Request::Mark { text } => match recorder.mark(&text, now) {
                Ok((drive, at_s)) => Reply::Marked { at_s, drive },
                Err(error) => Reply::Refused {
                    why: error.to_string(),
                },
            },
            Request::Status => Reply::Status(Box::new(recorder.status(now))),
        }
    }));
    tokio::task::spawn_local(async move { server.serve(answer).await });

    let begin = clock.now().real_ns;
    let mut next = 0;
    let mut tick = 0_u32;
    let until_s = seconds.unwrap_or(f64::INFINITY);
    loop {
        let now = clock.now();
        let at_s = (now.real_ns - begin) as f64 / 1e9;
        if at_s > until_s {
            break;
        }
        while let Some((due_s, bus, frame)) = frames.get(next).filter(|(due, ..)| *due <= at_s) {
            let batch = Batch {
                frames: vec![Received {
                    real_ns: begin + (due_s * 1e9) as i64,
                    ..*frame
                }],
                dropped: None,
            };
            recorder.borrow_mut().frames(ids[*bus], &batch, now);
            next += 1;
        }
        tick += 1;
        if tick.is_multiple_of(10) {
            recorder.borrow_mut().tick(clock.now());
        }
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    let mut recorder = recorder.borrow_mut();
    recorder.stop(End::Stopped, SystemClock.now());
    recorder.store_mut().finish();
}
