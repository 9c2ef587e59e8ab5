//! How honest is a comparison? Simulated campaigns with known truth, counted.
//!
//!     cargo run --example comparison_calibration -- \
//!         [CAMPAIGNS [PART OF A NAME [FIRST SEED]]]
//!
//! For each kind of campaign: how often any measure, and the overall verdict, is wrong; how often
//! a true change of the delay is found; how often the 95 % interval holds the truth. Each share
//! has a binomial error of at most `sqrt(0.05 * 0.95 / CAMPAIGNS)`, 0.7 % for the 1,000 that are
//! made if no number is given, at the 5 % and 95 % marks.
#![allow(
    clippy::print_stdout,
    clippy::disallowed_macros,
    clippy::disallowed_methods,
    reason = "an example prints its table"
)]

use slipwright_analysis::comparison::family::PROOF;
use slipwright_analysis::comparison::{Verdict, compare};
use slipwright_analysis::measure::Measure;
use slipwright_analysis::{engagement, kinematics, measure, measures};

#[path = "../src/comparison/tests/campaigns.rs"]
mod campaigns;

use campaigns::{Plan, Tails, campaign};

fn main() {
    let mut arguments = std::env::args().skip(1);
    let campaigns: u64 = arguments
        .next()
        .and_then(|text| text.parse().ok())
        .unwrap_or(1_000);
    let wanted = arguments.next().unwrap_or_default();
    let first: u64 = arguments
        .next()
        .and_then(|text| text.parse().ok())
        .unwrap_or(0x5eed_0000);
    println!("{campaigns} campaigns a line from seed {first}; shares in per cent");
    println!(
        "{:<44} {:>6} {:>6} {:>6} {:>6} {:>6} {:>6} {:>6} {:>6} {:>6} {:>7} {:>7} {:>6} {:>5}",
        "campaign",
        "wrong",
        "wrong*",
        "found",
        "slip",
        "all",
        "p<5 %",
        "prov.",
        "prov s",
        "none",
        "cover d",
        "cover s",
        "pairs",
        "bed"
    );
    let plans = plans();
    let unchanged: Vec<Plan> = plans
        .iter()
        .filter(|(name, _)| name.starts_with("nothing changed") && !name.contains("60 K"))
        .map(|(_, plan)| *plan)
        .collect();
    let mut rows = vec![("nothing changed, all kinds in turn".to_owned(), unchanged)];
    rows.extend(plans.into_iter().map(|(name, plan)| (name, vec![plan])));
    for (name, plans) in rows.iter().filter(|(name, _)| name.contains(&wanted)) {
        let count = count(plans, campaigns, first);
        println!("{name:<44} {count}");
    }
    println!(
        "wrong: the overall verdict says reduced or increased against the truth; wrong*: any \
         measure does.\nfound: delay is said to be reduced, and it was; slip: a measure of slip is, and it was; all: the overall verdict says so of slip and delay; p<5 %: before the correction over \
         measures; prov., prov s: smallest provable change of delay, and of peak slip where there is one, median, per cent of their medians.\nnone: not \
         enough data for the delay. cover d, s: intervals of delay, and of peak slip, that hold \
         the truth. bed: campaigns in which a bedding-in is said."
    );
}

fn plans() -> Vec<(String, Plan)> {
    let mut plans = Vec::new();
    let mut add = |name: &str, plan: Plan| plans.push((name.to_owned(), plan));
    let null = |drives: usize| Plan {
        drives: (drives, drives),
        ..Plan::USUAL
    };
    let better = |plan: Plan| Plan {
        delay_change: 0.85,
        ..plan
    };
    for drives in [2, 3, 4, 6] {
        add(
            &format!("nothing changed, {drives} + {drives} drives"),
            null(drives),
        );
    }
    add("nothing changed, 3 + 3 of 6 launches", Plan::SMALL);
    let uneven = Plan {
        drives: (3, 6),
        launches: (4, 12),
        tip_ins: (0, 8),
        ..Plan::USUAL
    };
    add("nothing changed, 3 + 6, uneven", uneven);
    add(
        "nothing changed, 6 + 3, uneven",
        Plan {
            drives: (6, 3),
            ..uneven
        },
    );
    add(
        "nothing changed, heavy tails",
        Plan {
            tails: Tails::Heavy,
            ..null(4)
        },
    );
    add(
        "nothing changed, 1 in 20 botched",
        Plan {
            tails: Tails::Botched,
            ..null(4)
        },
    );
    add(
        "nothing changed, drives alike",
        Plan {
            drive_spread: 0.0,
            ..null(4)
        },
    );
    add(
        "nothing changed, drives 8 % apart",
        Plan {
            drive_spread: 0.08,
            ..null(4)
        },
    );
    let warmer = Plan {
        warmer_after_k: 6.0,
        harder_after: 1.2,
        temperature_spread_k: 6.0,
        ..null(4)
    };
    add("nothing changed, after 6 K warmer, 20 % harder", warmer);
    let wide = Plan {
        temperature_spread_k: 15.0,
        ..null(4)
    };
    add("nothing changed, drives 15 K apart", wide);
    add(
        "nothing changed, after 60 K warmer",
        Plan {
            warmer_after_k: 60.0,
            ..null(4)
        },
    );
    add(
        "nothing changed, calmer after (half spread)",
        Plan {
            calmer_after: 0.5,
            ..null(4)
        },
    );
    add(
        "nothing changed, 3 + 6, calmer after",
        Plan {
            calmer_after: 0.5,
            ..uneven
        },
    );
    let steps = Plan {
        demand_is_step: true,
        ..null(4)
    };
    for further in [1.0, 1.05, 1.1, 1.2, 1.4] {
        add(
            &format!(
                "nothing changed, steps, {:.0} % further",
                100.0 * (further - 1.0)
            ),
            Plan {
                further_after: further,
                ..steps
            },
        );
    }
    add(
        "slip -40 %, steps, 4 + 4",
        Plan {
            slip_change: 0.6,
            ..steps
        },
    );
    add("delay -15 %, 3 + 3 of 6 launches", better(Plan::SMALL));
    let spread = |drive_spread, chance| {
        better(Plan {
            drive_spread,
            chance,
            ..Plan::SMALL
        })
    };
    add(
        "delay -15 %, 3 + 3, drives 2 %, chance 5.5 %",
        spread(0.02, 0.055),
    );
    add(
        "delay -15 %, 3 + 3, drives 3 %, chance 5 %",
        spread(0.03, 0.05),
    );
    add(
        "delay -15 %, 3 + 3, drives 4 %, chance 6 %",
        spread(0.04, 0.06),
    );
    add(
        "delay -15 %, 3 + 3, heavy tails",
        better(Plan {
            tails: Tails::Heavy,
            ..Plan::SMALL
        }),
    );
    add(
        "delay -15 %, 3 + 3, drives 10 K apart",
        better(Plan {
            temperature_spread_k: 10.0,
            ..Plan::SMALL
        }),
    );
    add("delay -15 %, 3 + 3 with tip-ins", better(null(3)));
    add("delay -15 %, 4 + 4", better(null(4)));
    add(
        "delay -15 %, 4 + 4, heavy tails",
        better(Plan {
            tails: Tails::Heavy,
            ..null(4)
        }),
    );
    add(
        "delay -15 %, 4 + 4, 1 in 20 botched",
        better(Plan {
            tails: Tails::Botched,
            ..null(4)
        }),
    );
    add("delay -15 %, 4 + 4, after 6 K warmer", better(warmer));
    add("delay -15 %, 4 + 4, drives 15 K apart", better(wide));
    add("delay -15 %, 3 + 6, uneven", better(uneven));
    add(
        "delay -10 %, 4 + 4 (about the provable)",
        Plan {
            delay_change: 0.9,
            ..null(4)
        },
    );
    for (drives, change) in [(3, 0.7), (4, 0.7), (4, 0.6), (4, 0.3), (4, 0.1)] {
        add(
            &format!("slip -{:.0} %, {drives} + {drives}", 100.0 * (1.0 - change)),
            Plan {
                slip_change: change,
                ..null(drives)
            },
        );
    }
    add(
        "slip -90 %, 3 + 6, uneven",
        Plan {
            slip_change: 0.1,
            ..uneven
        },
    );
    add(
        "slip -90 %, 4 + 4, calmer after",
        Plan {
            slip_change: 0.1,
            calmer_after: 0.5,
            ..null(4)
        },
    );
    add(
        "delay and slip -30 %, 3 + 3",
        Plan {
            delay_change: 0.7,
            slip_change: 0.7,
            ..null(3)
        },
    );
    let bedding = Plan {
        drives: (4, 6),
        bedding_in: 0.4,
        ..better(null(4))
    };
    add("delay -15 %, 4 + 6, bedding in from +40 %", bedding);
    plans
}

/// What is counted over campaigns of one plan.
#[derive(Default)]
struct Count {
    campaigns: u64,
    wrong: u64,
    wrong_anywhere: u64,
    found: u64,
    slip: u64,
    overall: u64,
    raw: u64,
    provable: [Vec<f64>; 2],
    none: u64,
    covered: [u64; 2],
    judged: [u64; 2],
    pairs: f64,
    bedding: u64,
}

/// Counts campaigns that take the plans in turn.
fn count(plans: &[Plan], campaigns: u64, first: u64) -> Count {
    let mut count = Count {
        campaigns,
        ..Count::default()
    };
    for (seed, plan) in (first..first + campaigns).zip(plans.iter().cycle()) {
        let made = campaign(plan, seed);
        let found = compare(&made.before, &made.after);
        let is_wrong = |verdict: Verdict, truth: f64| match verdict {
            Verdict::Reduced => truth >= 0.0,
            Verdict::Increased => truth <= 0.0,
            _ => false,
        };
        let truth = |measure: Measure| made.truth[measure as usize];
        let anything = truth(Measure::EngagementDelay).min(truth(Measure::PeakSlip));
        count.wrong += u64::from(is_wrong(found.verdict, anything));
        count.overall += u64::from(found.verdict == Verdict::Reduced && anything < 0.0);
        count.wrong_anywhere += u64::from(
            found
                .measures
                .iter()
                .any(|m| is_wrong(m.verdict, truth(m.measure))),
        );
        count.bedding += u64::from(
            found
                .warnings
                .iter()
                .any(|w| w.contains("over the after set")),
        );
        for (slot, measure) in [Measure::EngagementDelay, Measure::PeakSlip]
            .into_iter()
            .enumerate()
        {
            let m = &found.measures[measure as usize];
            if let (Some(low), Some(high)) = (m.ci_low, m.ci_high) {
                count.judged[slot] += 1;
                let holds = low <= truth(measure) && truth(measure) <= high;
                count.covered[slot] += u64::from(holds);
            }
            if let (Some(smallest), Some(median)) = (m.smallest_provable, m.before_median) {
                count.provable[slot].push(smallest / median);
            }
        }
        let delay = &found.measures[Measure::EngagementDelay as usize];
        let real = truth(Measure::EngagementDelay);
        let right = |v: Verdict| v == Verdict::Reduced && real < 0.0;
        count.found += u64::from(right(delay.verdict));
        let slips = &PROOF[1..];
        count.slip += u64::from(slips.iter().any(|m| {
            let verdict = found.measures[*m as usize].verdict;
            verdict == Verdict::Reduced && truth(*m) < 0.0
        }));
        count.raw += u64::from(delay.p.is_some_and(|p| p < 0.05));
        count.none += u64::from(delay.verdict == Verdict::NotEnoughData);
        count.pairs += delay.pairs as f64;
    }
    count
}

impl std::fmt::Display for Count {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let middle = |values: &[f64]| {
            let mut sorted = values.to_vec();
            sorted.sort_by(f64::total_cmp);
            sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
        };
        let share = |part: u64, of: u64| 100.0 * part as f64 / of.max(1) as f64;
        write!(
            f,
            "{:>6.1} {:>6.1} {:>6.1} {:>6.1} {:>6.1} {:>6.1} {:>6.1} {:>6.1} {:>6.1} {:>7.1} {:>7.1} {:>6.1} {:>5.1}",
            share(self.wrong, self.campaigns),
            share(self.wrong_anywhere, self.campaigns),
            share(self.found, self.campaigns),
            share(self.slip, self.campaigns),
            share(self.overall, self.campaigns),
            share(self.raw, self.campaigns),
            100.0 * middle(&self.provable[0]),
            100.0 * middle(&self.provable[1]),
            share(self.none, self.campaigns),
            share(self.covered[0], self.judged[0]),
            share(self.covered[1], self.judged[1]),
            self.pairs / self.campaigns as f64,
            share(self.bedding, self.campaigns),
        )
    }
}
