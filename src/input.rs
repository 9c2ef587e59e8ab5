//! From the path of a capture to its signals and measures, and what makes it refused.

mod foreign;

use std::ops::ControlFlow;
use std::path::Path;

use slipwright_analysis::measures::{DriveMeasures, FrameSpan, measure_drive};
use slipwright_decoders::diagnostic_read::{AnswerCollector, Answers};
use slipwright_decoders::extractor::Collector;
use slipwright_decoders::frame::BusIndex;
use slipwright_decoders::signal::Signals;
use slipwright_decoders::traffic::Traffic;
use slipwright_logger::capture::{Capture, Event, Interface, Summary};
use slipwright_logger::text_log::Layout;

pub(crate) use self::foreign::refuse_foreign;
use crate::car::{Car, Decoder};
use crate::failure::Failure;
use crate::progress::Progress;
use crate::workers;

/// One capture's signals, and what a reader of them must know.
pub(crate) struct Decoded {
    pub(crate) signals: Signals,
    pub(crate) span: FrameSpan,
    pub(crate) warnings: Vec<String>,
}

impl Decoded {
    /// First to last frame, s.
    pub(crate) fn duration_s(&self) -> f64 {
        self.span.duration_s()
    }
}

/// Opens a capture, or a text log if a layout says how to read one.
pub(crate) fn open_capture(path: &Path, layout: Option<&Layout>) -> Result<Capture, Failure> {
    match layout {
        Some(layout) => Capture::open_text(path, layout),
        None => Capture::open(path),
    }
    .map_err(Failure::Capture)
}

/// A capture's name in tables and pictures.
pub(crate) fn name(path: &Path) -> String {
    path.file_name()
        .unwrap_or(path.as_os_str())
        .to_string_lossy()
        .into_owned()
}

/// Capture file to signals, on all processors that have nothing else to do.
pub(crate) fn decode_capture(path: &Path, decoder: &Decoder) -> Result<Decoded, Failure> {
    let capture = open_capture(path, decoder.layout.as_ref())?;
    // An answer may begin in one part and end in the next.
    let parts = match decoder.file.requests.is_empty() {
        true => capture.in_parts(workers::idle()),
        false => vec![capture],
    };
    let mut taken = workers::at_once(parts, |part| take(path, part, decoder, &mut |_| {}));
    let mut whole = taken.remove(0)?;
    for later in taken {
        whole.append(later?);
    }
    let mut read = whole.finish(path)?;
    refuse_foreign(path, decoder, &mut read)?;
    Ok(read.decoded)
}

/// What a capture holds, as far as its frames and the decoder file go.
pub(crate) struct Read {
    pub(crate) decoded: Decoded,
    pub(crate) traffic: Traffic,
    /// What the answers brought beside the signals, which are in `decoded`.
    answers: Answers,
}

/// Capture file to signals, whether or not any of the decoder file's frames occurs. `each` sees
/// every event as it comes.
pub(crate) fn read_capture(
    path: &Path,
    decoder: &Decoder,
    each: &mut impl FnMut(&Event<'_>),
) -> Result<Read, Failure> {
    let capture = open_capture(path, decoder.layout.as_ref())?;
    take(path, capture, decoder, each)?.finish(path)
}

/// What was taken from a capture, or from its parts up to one.
struct Taken<'a> {
    taking: Taking<'a>,
    summary: Summary,
}

/// Frames on their way to signals.
struct Taking<'a> {
    collector: Collector<'a>,
    answers: Option<AnswerCollector<'a>>,
}

impl<'a> Taking<'a> {
    fn new(decoder: &'a Decoder) -> Self {
        let asks = !decoder.file.requests.is_empty();
        Self {
            collector: Collector::new(&decoder.extractors),
            answers: asks.then(|| AnswerCollector::new(&decoder.answers)),
        }
    }

    /// Takes an event; nearly all are frames.
    #[inline]
    fn event(&mut self, event: &Event<'_>) {
        match event {
            Event::Frame(frame) => {
                self.collector.push(frame);
                if let Some(answers) = &mut self.answers {
                    answers.push(frame);
                }
            }
            Event::Bus(bus, interface) => self.bus(*bus, interface),
            Event::Section(_) | Event::Mark(_) | Event::Statistics(_) => {}
        }
    }

    #[cold]
    fn bus(&mut self, bus: BusIndex, interface: &Interface) {
        let name = interface.name.as_deref().unwrap_or_default();
        self.collector.add_bus(bus, name);
        if let Some(answers) = &mut self.answers {
            answers.add_bus(bus, name);
        }
    }
}

fn take<'a>(
    path: &Path,
    capture: Capture,
    decoder: &'a Decoder,
    each: &mut impl FnMut(&Event<'_>),
) -> Result<Taken<'a>, Failure> {
    let mut taking = Taking::new(decoder);
    let mut progress = Progress::of(capture.progress(), &name(path));
    let summary = capture.read(|event| {
        each(&event);
        taking.event(&event);
        progress.tick();
        ControlFlow::Continue(())
    });
    let summary = summary.map_err(Failure::Capture)?;
    Ok(Taken { taking, summary })
}

impl Taken<'_> {
    /// Adds the next part; its summary tells of all before it too.
    fn append(&mut self, later: Self) {
        self.taking.collector.append(later.taking.collector);
        self.summary = later.summary;
    }

    fn finish(self, path: &Path) -> Result<Read, Failure> {
        let summary = self.summary;
        let (Some(first_ns), Some(last_ns)) = (summary.first_ns, summary.last_ns) else {
            return Err(no_frame(path, &summary));
        };
        refuse_backward_steps(path, &summary)?;
        let Taking { collector, answers } = self.taking;
        let collected = collector.finish();
        let mut signals = collected.signals;
        let mut warnings = summary.warnings();
        let mut answers = answers.map_or_else(Answers::default, AnswerCollector::finish);
        warnings.extend(answers.warnings());
        signals.series.append(&mut answers.signals.series);
        let span = FrameSpan {
            first_ns,
            last_ns,
            frames: summary.frames,
        };
        Ok(Read {
            decoded: Decoded {
                signals,
                span,
                warnings,
            },
            traffic: collected.traffic,
            answers,
        })
    }
}

/// When a capture's first frame was received, ns since the epoch.
pub(crate) fn first_frame_ns(path: &Path) -> Result<i64, Failure> {
    let mut first = None;
    let capture = Capture::open(path).map_err(Failure::Capture)?;
    let read = capture.read(|event| match event {
        Event::Frame(frame) => {
            first = Some(frame.t_ns);
            ControlFlow::Break(())
        }
        _ => ControlFlow::Continue(()),
    });
    let summary = read.map_err(Failure::Capture)?;
    first.ok_or_else(|| no_frame(path, &summary))
}

/// A capture that gave no frame, and why as far as its reader knows.
pub(crate) fn no_frame(path: &Path, summary: &Summary) -> Failure {
    Failure::content(path, summary.without_frames())
}

/// Capture file to measures.
pub(crate) fn measure_capture(path: &Path, car: &Car) -> Result<DriveMeasures, Failure> {
    measure_decoded(path, decode_capture(path, &car.decoder)?, car)
}

/// A capture's signals to measures.
pub(crate) fn measure_decoded(
    path: &Path,
    decoded: Decoded,
    car: &Car,
) -> Result<DriveMeasures, Failure> {
    let mut drive = measure_drive(&name(path), &decoded.signals, decoded.span, &car.vehicle);
    drive.warnings.splice(0..0, decoded.warnings);
    Ok(drive)
}

/// A drive whose clock was set back has no time axis to measure on.
pub(crate) fn refuse_backward_steps(path: &Path, summary: &Summary) -> Result<(), Failure> {
    let Some(step) = summary.backward_steps.first().first() else {
        return Ok(());
    };
    let back_s = (step.from_ns.saturating_sub(step.to_ns)) as f64 / 1e9;
    // The bytes of a text log are not those that the reader counts.
    let place = match summary.text {
        Some(_) => format!("frame {}", step.frame),
        None => format!("frame {} (byte {})", step.frame, step.offset),
    };
    Err(Failure::content(
        path,
        format!(
            "the clock steps back by {back_s:.3} s at {place}; cut the capture there and give the parts one by one"
        ),
    ))
}
