//! `plan`: the test card.

use std::io::Write;

use slipwright_analysis::plan;
use slipwright_analysis::report::card::{Card, signals};

use crate::Answer;
use crate::cache::{Cache, Traces};
use crate::car::read_car;
use crate::cli::PlanArgs;
use crate::contract::{self, PlanOutput};
use crate::failure::Failure;
use crate::output::{make_folder, write_whole};
use crate::page::made_now;
use crate::workers::each;

pub(crate) fn run(args: &PlanArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    if !(0.1..=100.0).contains(&args.change) {
        return Err(Failure::Usage(format!(
            "--change {}: must lie between 0.1 and 100 per cent",
            args.change
        )));
    }
    let car = read_car(&args.vehicle, Some(&args.text))?;
    let cache = Cache::kept_unless(args.fresh.fresh);
    let earlier = each(&args.earlier, |path| {
        cache.measures(path, &car, Traces::Spared)
    })?;
    let plan = plan::plan(&earlier, args.change / 100.0);
    let signals = signals(&car.decoder.file.roles().into_iter().collect::<Vec<_>>());
    let made = made_now();
    let card = Card {
        plan: &plan,
        vehicle: &car.vehicle,
        signals: &signals,
        made: &made,
    };
    let page = args.out.as_ref().map(|folder| folder.join("card.html"));
    let names: Vec<String> = earlier.iter().map(|drive| drive.name.clone()).collect();
    let output = PlanOutput::new(
        &car.vehicle.name,
        &names,
        &plan,
        &signals,
        page.as_ref().map(|page| page.display().to_string()),
    );
    if let (Some(folder), Some(page)) = (&args.out, &page) {
        make_folder(folder)?;
        write_whole(page, card.html().as_bytes())?;
        write_whole(&folder.join("card.txt"), card.text().as_bytes())?;
        let mut json = Vec::new();
        contract::print(&mut json, &output)?;
        write_whole(&folder.join("plan.json"), &json)?;
    }
    if args.json.json {
        contract::print(out, &output)?;
    } else {
        let mut text = card.text();
        if let Some(page) = &page {
            text.push_str(&format!("\ncard: {}\n", page.display()));
        }
        out.write_all(text.as_bytes()).map_err(Failure::Printing)?;
    }
    Ok(if plan.recommended.is_some() {
        Answer::Done
    } else {
        Answer::No
    })
}
