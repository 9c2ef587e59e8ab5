//! From the path of a capture to its signals and measures, and what makes it refused.

use std::ops::ControlFlow;
use std::path::Path;

use slipwright_analysis::measures::{DriveMeasures, FrameSpan, measure_drive};
use slipwright_decoders::diagnostic_read::AnswerCollector;
use slipwright_decoders::extractor::Collector;
use slipwright_decoders::frame::BusIndex;
use slipwright_decoders::signal::{Invalid, InvalidReason, Signals};
use slipwright_decoders::toml_error::TomlError;
use slipwright_decoders::traffic::{IdTraffic, Traffic};
use slipwright_logger::capture::{Capture, Event, Interface, Summary};
use slipwright_logger::text_log::Layout;

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
    let read = whole.finish(path)?;
    refuse_foreign(path, decoder, &read)?;
    Ok(read.decoded)
}

/// A capture of another car or bus, or with fields that its frames do not hold, is a mistake.
pub(crate) fn refuse_foreign(path: &Path, decoder: &Decoder, read: &Read) -> Result<(), Failure> {
    // A decoder file may hold nothing but requests.
    if read.traffic.decoded_frames() == 0 && read.decoded.signals.series.is_empty() {
        return Err(nothing_decoded(path, decoder, &read.traffic));
    }
    refuse_fields_beyond_frames(decoder, &read.decoded.signals)
}

/// What a capture holds, as far as its frames and the decoder file go.
pub(crate) struct Read {
    pub(crate) decoded: Decoded,
    pub(crate) traffic: Traffic,
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
            let what = match summary.text {
                Some(_) => "no line of it is a frame; check the layout's pattern",
                None => "the capture holds no CAN frame; record a drive",
            };
            return Err(Failure::content(path, what));
        };
        refuse_backward_steps(path, &summary)?;
        let Taking { collector, answers } = self.taking;
        let collected = collector.finish();
        let mut signals = collected.signals;
        let mut warnings = summary.warnings();
        if let Some(answers) = answers.map(AnswerCollector::finish) {
            warnings.extend(answers.warnings());
            signals.series.extend(answers.signals.series);
        }
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
    read.map_err(Failure::Capture)?;
    first.ok_or_else(|| Failure::content(path, "the capture holds no CAN frame; record a drive"))
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

/// A field that no received frame was long enough for is a mistake in the decoder file that only
/// a capture can show.
fn refuse_fields_beyond_frames(decoder: &Decoder, signals: &Signals) -> Result<(), Failure> {
    let beyond = signals.series.iter().find(|series| {
        let too_short = |invalid: &Invalid| invalid.reason == InvalidReason::FrameTooShort;
        series.value.is_empty()
            && !series.invalid.is_empty()
            && series.invalid.iter().all(too_short)
    });
    let Some(series) = beyond else { return Ok(()) };
    let line = decoder
        .file
        .frames
        .iter()
        .zip(&decoder.signal_lines)
        .find_map(|(frame, lines)| {
            let here =
                frame.id == series.id && frame.bus.as_ref().is_none_or(|bus| *bus == series.bus);
            let position = frame
                .signals
                .iter()
                .position(|signal| signal.key == series.key)?;
            lines.get(position).copied().filter(|_| here)
        });
    let message = format!(
        "{} reaches beyond every frame {} that {} carries; correct its start or length",
        series.key.text(),
        series.id,
        series.bus
    );
    Err(Failure::toml(&decoder.path)(TomlError { line, message }))
}

/// Names the identifiers that the capture has instead, the most frequent first.
fn nothing_decoded(path: &Path, decoder: &Decoder, traffic: &Traffic) -> Failure {
    const SHOWN: usize = 12;
    let mut seen: Vec<(&str, &IdTraffic)> = traffic
        .buses
        .iter()
        .flat_map(|bus| bus.ids.iter().map(|id| (bus.bus.as_str(), id)))
        .collect();
    seen.sort_by_key(|(_, id)| std::cmp::Reverse(id.frames));
    let mut ids: Vec<String> = seen
        .iter()
        .take(SHOWN)
        .map(|(bus, id)| format!("{} on {bus}", id.id))
        .collect();
    if seen.len() > SHOWN {
        ids.push(format!("{} more", seen.len() - SHOWN));
    }
    Failure::content(
        path,
        format!(
            "none of the frames of {} occurs; the capture has {}; check that the decoder file belongs to this car and bus",
            decoder.path.display(),
            ids.join(", ")
        ),
    )
}
