//! Draws every scenario of a folder: `NAME.toml` becomes `NAME.svg` in another folder.
//!
//!     cargo run --example scenario_pictures -- sample-logs/scenarios sample-logs/pictures

#![allow(clippy::print_stdout, reason = "it is a program")]

use std::path::Path;

use slipwright_sample::picture::scenario_svg;
use slipwright_sample::scenario::Scenario;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut words = std::env::args().skip(1);
    let (Some(from), Some(to)) = (words.next(), words.next()) else {
        return Err("usage: scenario_pictures SCENARIOS PICTURES".into());
    };
    let mut paths: Vec<_> = std::fs::read_dir(&from)?
        .map(|entry| entry.map(|entry| entry.path()))
        .collect::<Result<_, _>>()?;
    paths.retain(|path| path.extension().is_some_and(|ending| ending == "toml"));
    paths.sort();
    for path in paths {
        let text = std::fs::read_to_string(&path)?;
        let scenario =
            Scenario::parse(&text, None).map_err(|error| format!("{}: {error}", path.display()))?;
        let stem = path.file_stem().unwrap_or_default();
        let picture = Path::new(&to).join(stem).with_extension("svg");
        let svg = scenario_svg(&scenario);
        std::fs::write(&picture, &svg)?;
        println!("{} ({} kB)", picture.display(), svg.len() / 1000);
    }
    Ok(())
}
