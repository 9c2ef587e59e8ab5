//! `slipwright book`: the car's book begun, written to, and asked what is due.

use std::fmt::Write as _;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use slipwright_analysis::book::{DueState, Moment, Work};
use slipwright_analysis::stack::{Parts, choose};
use toml_edit::{DocumentMut, Item};

use crate::Answer;
use crate::book::{Book, DECODER, DRIVES, REMINDERS, VEHICLE, WORK};
use crate::cache::Cache;
use crate::car::read_car;
use crate::cli::{BookArgs, BookCommand, BookDueArgs, BookWorkArgs, NewBookArgs};
use crate::contract::{self, BookOutput, DueOutput};
use crate::failure::Failure;
use crate::history::measure_drives;
use crate::output::{make_folder, write_folder, write_new};
use crate::reminders::{self, today};
use crate::{progress, text};

/// A vehicle file to fill in.
const VEHICLE_FORM: &str = "\
# What is known of the car. sample-logs/vehicle.toml shows every key; what is missing costs only
# what needs it.
name = \"my car\"
decoder = \"decoder.toml\"
";

const REMINDERS_FORM: &str = "\
# Your own intervals; none is built in. `after` is the word in `done` of a piece of work that sets
# the reminder back. Give one interval or several: the first that is used up counts.
#
# [[reminder]]
# what = \"change the coupling fluid\"
# after = \"fluid\"
# every_months = 24
# every_km = 40000
# every_friction_work_mj = 15    # summed over the recorded drives
";

pub(crate) fn run(args: &BookArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    match &args.command {
        BookCommand::New(args) => begin(args, out),
        BookCommand::Work(args) => write_work(args, out),
        BookCommand::Due(args) => tell_due(args, out),
    }
}

fn begin(args: &NewBookArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    let folder = &args.folder;
    let mut files: Vec<(PathBuf, Vec<u8>)> = Vec::new();
    match &args.vehicle {
        Some(path) => {
            // Refused now rather than at the first drive.
            let car = read_car(path, None)?;
            let read = |path: &Path| fs::read_to_string(path).map_err(Failure::reading(path));
            let mut own: DocumentMut = read(path)?
                .parse()
                .map_err(|error: toml_edit::TomlError| Failure::Internal(error.to_string()))?;
            if let Some(Item::Value(decoder)) = own.get_mut("decoder") {
                let around = decoder.decor().clone();
                *decoder = DECODER.into();
                *decoder.decor_mut() = around;
            }
            files.push((VEHICLE.into(), own.to_string().into_bytes()));
            files.push((DECODER.into(), read(&car.decoder.path)?.into_bytes()));
        }
        None => files.push((VEHICLE.into(), VEHICLE_FORM.into())),
    }
    files.push((REMINDERS.into(), REMINDERS_FORM.into()));
    write_folder(folder, &files, &[WORK.as_ref(), DRIVES.as_ref()])?;
    let output = BookOutput {
        book: folder.display().to_string(),
        written: files
            .iter()
            .map(|(name, _)| folder.join(name).display().to_string())
            .collect(),
    };
    match args.json.json {
        true => contract::print(out, &output)?,
        false => {
            let next = match args.vehicle {
                Some(_) => "put drives into",
                None => "fill in vehicle.toml and write decoder.toml, then put drives into",
            };
            writeln!(
                out,
                "{}: begun; {next} {}",
                output.book,
                folder.join(DRIVES).display()
            )
            .map_err(Failure::Printing)?;
        }
    }
    Ok(Answer::Done)
}

fn write_work(args: &BookWorkArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    let book = Book::open(&args.folder)?;
    let date = match &args.date {
        Some(text) => {
            Moment::parse(text).map_err(|why| Failure::Usage(format!("--date: {why}")))?
        }
        None => today()?,
    };
    let text = work_text(args, &date)?;
    let name = format!(
        "{}-{}",
        Moment::day_text(date.start_ns),
        file_name(&args.title)
    );
    let path = book.work_folder().join(format!("{name}.toml"));
    // What is written must read back.
    Work::parse(&name, &text).map_err(Failure::toml(&path))?;
    make_folder(&book.work_folder())?;
    write_new(&path, text.as_bytes())?;
    let output = BookOutput {
        book: args.folder.display().to_string(),
        written: vec![path.display().to_string()],
    };
    match args.json.json {
        true => contract::print(out, &output)?,
        false => writeln!(out, "written: {}", path.display()).map_err(Failure::Printing)?,
    }
    Ok(Answer::Done)
}

/// Letters and digits of a title, for a file name.
fn file_name(title: &str) -> String {
    let dashed: String = title
        .chars()
        .map(|c| {
            if c.is_alphanumeric() {
                c.to_ascii_lowercase()
            } else {
                '-'
            }
        })
        .collect();
    let words: Vec<&str> = dashed.split('-').filter(|word| !word.is_empty()).collect();
    let name: String = words.join("-").chars().take(60).collect();
    if name.is_empty() {
        "work".to_owned()
    } else {
        name
    }
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

fn list(texts: &[String]) -> String {
    let quoted: Vec<String> = texts.iter().map(|text| quoted(text)).collect();
    format!("[{}]", quoted.join(", "))
}

fn work_text(args: &BookWorkArgs, date: &Moment) -> Result<String, Failure> {
    let mut text = format!("date = {date}\n");
    if let Some(km) = args.odometer {
        let _ = writeln!(text, "odometer_km = {}", toml::Value::Float(km));
    }
    // Writing to a string cannot fail.
    let _ = writeln!(text, "title = {}", quoted(&args.title));
    let _ = writeln!(text, "done = {}", list(&args.done));
    let _ = writeln!(text, "faults_found = {}", list(&args.fault));
    let _ = writeln!(text, "notes = {}", quoted(&args.notes));
    if args.fluid.is_some() || args.fluid_litres.is_some() {
        text.push_str("\n[fluid]\n");
        if let Some(name) = &args.fluid {
            let _ = writeln!(text, "name = {}", quoted(name));
        }
        if let Some(litres) = args.fluid_litres {
            let _ = writeln!(text, "amount_l = {}", toml::Value::Float(litres));
        }
    }
    if let Some(path) = &args.parts {
        text.push_str(&fitted(path)?);
    }
    Ok(text)
}

/// The best stack of a parts file, and its parts.
fn fitted(path: &Path) -> Result<String, Failure> {
    let read = fs::read_to_string(path).map_err(Failure::reading(path))?;
    let parts = Parts::parse(&read).map_err(Failure::toml(path))?;
    let stacks = choose(&parts, None, 1).map_err(Failure::toml(path))?;
    let Some(best) = stacks.choices.first() else {
        return Err(Failure::content(path, stacks.why.unwrap_or_default()));
    };
    let order: Vec<String> = best.order.iter().map(|p| p.name(&parts)).collect();
    let mut text = String::from("\n[stack]\n");
    let _ = writeln!(text, "parts_file = {}", quoted(&path.display().to_string()));
    let _ = writeln!(text, "height_mm = {}", toml::Value::Float(best.height_mm));
    let _ = writeln!(text, "order = {}", list(&order));
    for (name, count) in &best.parts {
        let reused = best
            .order
            .iter()
            .any(|p| p.reused && p.name(&parts) == *name);
        let _ = writeln!(
            text,
            "\n[[part]]\nname = {}\ncount = {count}\nreused = {reused}",
            quoted(name)
        );
    }
    Ok(text)
}

fn tell_due(args: &BookDueArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    let book = Book::open(&args.folder)?;
    // A mistake in them is said before any drive is read.
    let _ = (book.reminders()?, book.work()?);
    let now = match &args.today {
        Some(text) => {
            Moment::parse(text).map_err(|why| Failure::Usage(format!("--today: {why}")))?
        }
        None => today()?,
    };
    let found = book.drives()?;
    let (drives, failures) = if found.is_empty() {
        Default::default()
    } else {
        let car = read_car(&book.vehicle(), None)?;
        let cache = Cache::kept_unless(args.fresh.fresh);
        measure_drives(&found, &args.folder, &car, cache)
    };
    let failures: Vec<String> = failures.iter().map(ToString::to_string).collect();
    failures.iter().for_each(|failure| progress::say(failure));
    let all = reminders::of(&book, &drives, &now)?;
    match args.json.json {
        true => contract::print(out, &DueOutput::new(&all, drives.len(), &failures))?,
        false => out
            .write_all(text::due(&all).as_bytes())
            .map_err(Failure::Printing)?,
    }
    Ok(
        match (
            failures.is_empty(),
            all.iter().any(|d| d.state == DueState::Due),
        ) {
            (false, _) => Answer::Partly,
            (true, true) => Answer::No,
            (true, false) => Answer::Done,
        },
    )
}
