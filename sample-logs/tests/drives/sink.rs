//! A sink that keeps everything, and drives to fill it.

use std::collections::BTreeMap;
use std::convert::Infallible;

use slipwright_decoders::decoder_file::DecoderFile;
use slipwright_decoders::extractor::{Collector, Extractors};
use slipwright_decoders::frame::{BusIndex, CanId, Frame, FrameFlags};
use slipwright_decoders::signal::Signals;
use slipwright_sample::drive::{DriveSink, DriveTruth, simulate};
use slipwright_sample::layout::{BUS_NAMES, Message, decoder_file, messages};
use slipwright_sample::scenario::Scenario;
use slipwright_sample::truth::TruthTable;

/// One frame, owned.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Kept {
    pub(crate) t_ns: i64,
    pub(crate) bus: BusIndex,
    pub(crate) id: CanId,
    pub(crate) data: Vec<u8>,
}

/// A simulated drive with everything it gave.
#[derive(Debug)]
pub(crate) struct Driven {
    pub(crate) frames: Vec<Kept>,
    pub(crate) tables: Vec<TruthTable>,
    pub(crate) truth: DriveTruth,
    pub(crate) messages: Vec<Message>,
    pub(crate) decoder: DecoderFile,
}

#[derive(Default)]
struct Keep {
    frames: Vec<Kept>,
    tables: Vec<TruthTable>,
}

impl DriveSink for Keep {
    type Error = Infallible;

    fn frame(&mut self, frame: &Frame<'_>) -> Result<(), Infallible> {
        self.frames.push(Kept {
            t_ns: frame.t_ns,
            bus: frame.bus,
            id: frame.id,
            data: frame.data.to_vec(),
        });
        Ok(())
    }

    fn truth(&mut self, table: TruthTable) -> Result<(), Infallible> {
        self.tables.push(table);
        Ok(())
    }
}

/// Simulates the first drive of a scenario.
pub(crate) fn drive(text: &str) -> Driven {
    let scenario = Scenario::parse(text, None).unwrap();
    let messages = messages(&scenario.layout).unwrap();
    let mut keep = Keep::default();
    let Ok(truth) = simulate(&scenario, scenario.seed, 0, &messages, &mut keep);
    let decoder = decoder_file(&scenario.car.name, &messages);
    Driven {
        frames: keep.frames,
        tables: keep.tables,
        truth,
        messages,
        decoder,
    }
}

impl Driven {
    /// The signals of the drive, decoded as a reader would: through the decoder file's text.
    pub(crate) fn signals(&self) -> Signals {
        let parsed = DecoderFile::parse(&self.decoder.to_toml()).unwrap();
        let extractors = Extractors::compile(&parsed.file);
        let mut collector = Collector::new(&extractors);
        for (index, name) in BUS_NAMES.iter().enumerate() {
            collector.add_bus(BusIndex::new(index as u16), name);
        }
        for kept in &self.frames {
            collector.push(&Frame {
                t_ns: kept.t_ns,
                bus: kept.bus,
                id: kept.id,
                flags: FrameFlags::default(),
                data: &kept.data,
            });
        }
        collector.finish().signals
    }

    /// A truth column by name, over the whole drive.
    pub(crate) fn truth_column(&self, name: &str) -> Vec<f64> {
        let mut all = Vec::new();
        for table in &self.tables {
            let index = table.names.iter().position(|(n, _)| n == name);
            let index = index.unwrap_or_else(|| panic!("no column {name}"));
            all.extend_from_slice(&table.columns[index]);
        }
        all
    }

    /// Frames by identifier.
    pub(crate) fn by_id(&self) -> BTreeMap<CanId, Vec<&Kept>> {
        let mut map: BTreeMap<CanId, Vec<&Kept>> = BTreeMap::new();
        for frame in &self.frames {
            map.entry(frame.id).or_default().push(frame);
        }
        map
    }
}
