//! The page as a whole: what it must show, what it must never do, whatever comes in.

pub(crate) mod drives;

use proptest::prelude::*;

use self::drives::Made;
use super::well_made::{check_page, tags, without_scripts};
use crate::comparison::Verdict;
use crate::engagement::{Kind, Reference};
use crate::measure::{Estimate, Measure, Missing};

#[test]
fn pages_are_well_made() {
    for made in [drives::improved(1), drives::unchanged(2), drives::empty()] {
        check_page(&made.report());
    }
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    assert_eq!(drives::improved(3).report(), drives::improved(3).report());
}

#[test]
fn the_page_says_what_the_comparison_says() {
    let made = drives::improved(4);
    let page = made.report();
    assert!(page.contains(&made.comparison.sentence));
    for warning in &made.comparison.warnings {
        assert!(page.contains(warning.as_str()));
    }
    for words in [
        "passenger works the laptop",
        "closed or quiet road",
        "one axle free",
        "hot fluid",
        "maker's procedure",
        "nothing is sent",
    ] {
        assert!(page.contains(words), "{words}");
    }
    for measure in Measure::ALL {
        assert!(page.to_lowercase().contains(measure.label()), "{measure}");
    }
}

/// "No change" stands nowhere without "shown", but where the page says that the two differ.
#[test]
fn no_change_shown_never_reads_as_no_change() {
    let mut made = drives::unchanged(5);
    made.comparison.verdict = Verdict::NoChangeShown;
    for row in &mut made.comparison.measures {
        row.verdict = Verdict::NoChangeShown;
    }
    let page = made
        .report()
        .to_lowercase()
        .replace("is not “no change”", "");
    assert!(page.contains("no change shown"));
    for (at, _) in page.match_indices("no change") {
        let after: String = page[at..].chars().take(40).collect();
        assert!(
            after.starts_with("no change shown")
                || after.starts_with("no change of slip or delay was shown"),
            "{after}"
        );
    }
}

const HOSTILE: &str = "</title><script>alert(1)</script> \"><img src=x onerror=alert(2)> &amp; '`\u{0}\u{202e} http://a.example  b";

#[test]
fn what_others_wrote_is_shown_literally() {
    let mut made = drives::improved(6);
    made.vehicle.name = HOSTILE.to_owned();
    made.vehicle.decoder = HOSTILE.to_owned();
    made.notes.work = Some(HOSTILE.to_owned());
    made.notes.made = Some(HOSTILE.to_owned());
    made.comparison.sentence = HOSTILE.to_owned();
    made.comparison.warnings = vec![HOSTILE.to_owned()];
    made.comparison.measures[0].why = Some(HOSTILE.to_owned());
    for drive in made.before.iter_mut().chain(&mut made.after) {
        drive.name = HOSTILE.to_owned();
        drive.warnings = vec![HOSTILE.to_owned()];
    }
    let page = made.report();
    let shown = "&lt;/title&gt;&lt;script&gt;alert(1)&lt;/script&gt; &quot;&gt;&lt;img src=x \
                 onerror=alert(2)&gt; &amp;amp; '`␀\u{fffd} http://a.example  b";
    // Title, heading, two notes, the verdict, its warning, a table's and a list's reason and eight
    // drives three times (warning, table of engagements, table of drives), decoder.
    assert!(
        page.matches(shown).count() >= 30,
        "{}",
        page.matches(shown).count()
    );
    assert!(!page.contains('\u{202e}') && !page.contains('\u{0}'));
    check_page(&page.replace("http://a.example", ""));
}

/// Sixty launches of ten seconds at 1 kHz.
#[test]
fn a_long_report_stays_small() {
    let mut made = drives::improved(8);
    for drive in made.before.iter_mut().chain(&mut made.after) {
        drive
            .engagements
            .extend(drive.engagements.clone().into_iter().take(3));
        for engagement in &mut drive.engagements {
            engagement.kind = Kind::Launch;
            let trace = &mut engagement.trace;
            trace.slip_t_s = (0..10_000).map(|i| f64::from(i) * 1e-3 - 1.0).collect();
            trace.slip_mps = trace.slip_t_s.iter().map(|t| (t * 400.0).sin()).collect();
            trace.pressure_t_s.clone_from(&trace.slip_t_s);
            trace.pressure_bar.clone_from(&trace.slip_mps);
        }
    }
    let engagements: usize = made
        .before
        .iter()
        .chain(&made.after)
        .map(|d| d.engagements.len())
        .sum();
    assert!(engagements >= 60);
    let page = made.report();
    assert!(page.len() < 5_000_000, "{}", page.len());
    check_page(&page);
}

#[test]
fn references_are_never_mixed_in_one_picture() {
    let mut made = drives::improved(9);
    for row in &mut made.comparison.measures {
        row.matched.clear();
        row.compared = Default::default();
    }
    for drive in &mut made.before {
        for engagement in drive.engagements.iter_mut().skip(2) {
            engagement.reference = Reference::Slip;
        }
    }
    let page = made.report();
    // The first launch of each of four drives is left in the before set.
    assert!(page.contains(
        "Front-rear slip in m/s over time from demand, s. before, 4 launches; after, 24 launches."
    ));
    for drive in made.before.iter_mut().chain(&mut made.after) {
        for engagement in &mut drive.engagements {
            engagement.reference = Reference::Slip;
        }
    }
    assert!(
        made.report()
            .contains("over time from the onset of slip, s. before, 24 launches")
    );
}

#[test]
fn a_row_of_the_table() {
    let mut made = drives::improved(10);
    let row = &mut made.comparison.measures[Measure::PeakSlip as usize];
    row.before_median = Some(1.823_4);
    row.after_median = Some(0.612_1);
    row.shift = Some(-1.213);
    row.ci_low = Some(-1.339);
    row.ci_high = Some(-1.082);
    row.p = Some(0.000_4);
    row.level = Some(0.017);
    row.p_holm = Some(0.004_8);
    row.smallest_provable = Some(0.183);
    row.pairs = 42;
    row.verdict = Verdict::Reduced;
    let page = made.report();
    let table = page
        .split_once("Every measure, before and after</caption>")
        .unwrap()
        .1;
    let from = table.find("<tr><th scope=\"row\">Peak slip").unwrap();
    let row = &table[from..from + table[from..].find("</tr>").unwrap()];
    insta::assert_snapshot!(row.replace("<td", "\n<td"), @r#"
    <tr><th scope="row">Peak slip<span class="unit">, m/s</span><span class="meaning">the most that the front axle ran ahead of the rear</span></th>
    <td class="verdict-cell"><span class="mark" aria-hidden="true">↓</span> reduced, better</td>
    <td class="number">1.82</td>
    <td class="number">0.61</td>
    <td class="number">−1.21</td>
    <td class="number">−1.34 to −1.08</td>
    <td class="number">&lt; 0.001</td>
    <td class="number">0.017</td>
    <td class="number">0.0048</td>
    <td class="number">0.18</td>
    <td class="number">42</td>
    "#);
}

#[test]
fn a_missing_value_says_why() {
    let mut made = drives::improved(11);
    for drive in made.before.iter_mut().chain(&mut made.after) {
        for engagement in &mut drive.engagements {
            engagement.measures[Measure::Hold as usize] = Err(Missing::VehicleKey("mass.kg"));
        }
        drive.engagements[0].measures[Measure::Ripple as usize] =
            Err(Missing::TooFewSamples { have: 3, need: 8 });
    }
    let page = made.report();
    // In the list of measures without a picture, and under each of eight tables.
    assert!(page.contains("<li>Pressure decay under hold: the vehicle file has no mass.kg.</li>"));
    assert_eq!(
        page.matches("No pressure decay under hold in this drive: the vehicle file has no mass.kg")
            .count(),
        8
    );
    assert_eq!(
        page.matches(": 3 samples where 8 are needed</li>").count(),
        8
    );
    assert!(
        page.contains("No value in 4 of 48 engagements before: 3 samples where 8 are needed (4).")
    );
}

/// A small campaign with any numbers in it.
fn disturbed(numbers: &[f64]) -> Made {
    let mut made = drives::improved(12);
    let mut numbers = numbers.iter().copied().cycle();
    let mut next = move || numbers.next().unwrap();
    for drive in made.before.iter_mut().chain(&mut made.after) {
        drive.engagements.truncate(3);
        drive.duration_s = next();
        drive.start_ns = next() as i64;
        drive.noise_slip_mps = Ok(Estimate {
            value: next(),
            u: next(),
            method: "any",
            samples: 1,
        });
        for engagement in &mut drive.engagements {
            engagement.reference_ns = next() as i64;
            engagement.conditions.fluid_temperature_c = Some(next());
            engagement.conditions.demand_step = Some(next());
            for measured in &mut engagement.measures {
                *measured = Ok(Estimate {
                    value: next(),
                    u: next(),
                    method: "any",
                    samples: 1,
                });
            }
            let trace = &mut engagement.trace;
            for values in [
                &mut trace.slip_t_s,
                &mut trace.slip_mps,
                &mut trace.pressure_t_s,
                &mut trace.pressure_bar,
            ] {
                values.truncate(40);
                values.iter_mut().step_by(3).for_each(|v| *v = next());
            }
        }
    }
    for row in &mut made.comparison.measures {
        for value in [
            &mut row.before_median,
            &mut row.after_median,
            &mut row.shift,
            &mut row.ci_low,
            &mut row.ci_high,
            &mut row.p,
            &mut row.p_holm,
            &mut row.level,
            &mut row.smallest_provable,
        ] {
            *value = Some(next());
        }
    }
    made.vehicle.mass.kg = Some(next());
    made
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn any_numbers_give_a_page(numbers in proptest::collection::vec(any::<f64>(), 7..60)) {
        check_page(&disturbed(&numbers).report());
    }

    /// Numbers that strain the digits: nought, both infinities, the largest and the smallest.
    #[test]
    fn extreme_numbers_give_a_page(
        numbers in proptest::collection::vec(
            prop::sample::select(vec![
                0.0, -0.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MAX, f64::MIN,
                f64::MIN_POSITIVE, 5e-324, 1.0, -1e9, 1e300, 1e-300, 1.0 + f64::EPSILON,
            ]),
            7..60,
        ),
    ) {
        check_page(&disturbed(&numbers).report());
    }

    #[test]
    fn any_text_is_shown_not_obeyed(text in any::<String>()) {
        let mut made = drives::empty();
        made.vehicle.name = text.clone();
        made.notes.work = Some(text.clone());
        made.comparison.sentence = text;
        let page = made.report();
        // A text may name any address; what matters is that it opens no tag.
        let (page, scripts) = without_scripts(&page);
        prop_assert!(scripts.is_empty());
        prop_assert_eq!(tags(&page).iter().filter(|t| t.name == "section" && !t.closes).count(), 12);
    }
}

/// A page that shows the car as its file describes it leaves nothing of the file out.
#[test]
fn every_value_of_the_vehicle_file_is_on_the_page() {
    let mut made = drives::improved(4);
    made.vehicle.mass.rear_share = Some(0.4375);
    made.vehicle.mass.centre_height_m = Some(0.5625);
    let page = made.report();
    for (label, value) in [
        ("Share of the mass on the rear axle", "0.4375"),
        ("Height of the centre of gravity", "0.5625"),
    ] {
        let row = page.split("<tr>").find(|row| row.contains(label)).unwrap();
        assert!(row.contains(value), "{row}");
    }
}

/// A point is faint where its own measure was not compared, whatever others were compared on; whole
/// engagements go by the delay.
#[test]
fn what_was_compared_is_told_measure_by_measure() {
    let mut made = drives::improved(4);
    let count = |page: &str, what: &str| page.matches(what).count();
    let (faint, marked) = ("opacity=\"0.1925\"", "*</th>");
    let whole = made.report();
    assert!(whole.contains("* marks an engagement on which engagement delay was compared."));
    let peak = &mut made.comparison.measures[Measure::PeakSlip as usize];
    peak.compared[0].remove(0);
    let less = made.report();
    assert_eq!(count(&less, faint), count(&whole, faint) + 1);
    assert_eq!(count(&less, marked), count(&whole, marked));
    let delay = &mut made.comparison.measures[Measure::EngagementDelay as usize];
    delay.compared[0].remove(0);
    let still_less = made.report();
    assert_eq!(count(&still_less, faint), count(&less, faint) + 1);
    assert_eq!(count(&still_less, marked), count(&less, marked) - 1);
}
