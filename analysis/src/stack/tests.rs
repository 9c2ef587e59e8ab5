//! The search against every stack there is, and the worked example of the bench.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use rand_pcg::Pcg64;
use rand_pcg::rand_core::Rng;

use super::parts::{Group, Part};
use super::problem::{DiscCount, Problem};
use super::search::{Found, best, nearest};
use super::*;

const WORKED: &str = include_str!("../../../sample-logs/parts.toml");

/// The worked example (common practice, no source): nine discs at 1.6 and eight plates at 0.9 mm
/// are 21.6 mm as built; eight discs at 1.5, seven coated plates at 1.0, four coated plates at 1.5
/// and the old uncoated plates at 0.9 mm are there. A fourth coated 1.0 plate as spacer would need
/// no reused part, but its coating would lie against the outer plate.
#[test]
fn the_worked_example() {
    let parts = Parts::parse(WORKED).unwrap();
    assert_eq!(parts.stock.height_um, Some(21_600));
    let stacks = choose(&parts, None, 5).unwrap();
    assert_eq!(stacks.stock_height_mm, Some(21.6));
    let best = &stacks.choices[0];
    assert_eq!((best.height_mm, best.over_target_mm), (21.9, 0.3));
    let expected = BTreeMap::from([
        ("disc 1.5".to_owned(), 8),
        ("coated plate 1.5".to_owned(), 4),
        ("coated plate 1.0".to_owned(), 3),
        ("plate 0.9, reused, as spacer".to_owned(), 1),
    ]);
    assert_eq!(best.parts, expected);
    assert_eq!((best.reused, best.faces), (1, 16));
    assert_eq!(best.warnings, Vec::<String>::new());
    let heights: Vec<f64> = best
        .order
        .iter()
        .map(|p| mm(p.measured.thickness_um))
        .collect();
    assert_eq!(
        heights,
        [
            1.5, 1.0, 1.5, 1.0, 1.5, 1.5, 1.5, 1.5, 1.5, 1.5, 1.5, 1.5, 1.5, 1.0, 1.5, 0.9
        ]
    );
    assert!(stacks.choices[1].reused > 1);
}

/// What ranks one stack before another.
type Rank = (usize, u32, Reverse<usize>, usize);

fn rank(found: &Found, target_um: u32) -> Rank {
    let spacers = found.taken.iter().map(|t| t.spacers).sum();
    (
        found.reused,
        found.height_um - target_um,
        Reverse(found.discs),
        spacers,
    )
}

/// Every stack there is, written out: each part unused, in the pack, or outside it.
fn every_rank(problem: &Problem<'_>) -> Vec<Rank> {
    let DiscCount::AtLeast(least) = problem.discs else {
        unreachable!("the test asks for no exact number")
    };
    let listed: Vec<(usize, Kind, bool, bool, u32)> = problem
        .groups
        .iter()
        .enumerate()
        .flat_map(|(index, g)| {
            g.parts
                .iter()
                .map(move |p| (index, g.kind, g.coated, g.reused, p.thickness_um))
        })
        .collect();
    let all = listed.iter().filter(|p| p.1 == Kind::Disc).count();
    let groups = problem.groups.len();
    // Best rank by discs and composition.
    let mut found: BTreeMap<usize, BTreeMap<Vec<(usize, usize)>, Rank>> = BTreeMap::new();
    let mut state = vec![0u8; listed.len()];
    loop {
        let mut taken = vec![(0, 0); groups];
        let (mut discs, mut bare_able, mut plates, mut spacers) = (0, 0, 0usize, 0usize);
        let (mut reused, mut height, mut legal) = (0, 0, true);
        for (part, state) in listed.iter().zip(&state) {
            let &(group, kind, coated, is_reused, thickness) = part;
            match (state, kind) {
                (0, _) => continue,
                (1, Kind::Disc) => {
                    discs += 1;
                    bare_able += usize::from(!coated);
                }
                (1, Kind::Plate) => plates += 1,
                (2, Kind::Plate | Kind::Spacer) if !coated => spacers += 1,
                _ => legal = false,
            }
            if *state == 1 {
                taken[group].0 += 1;
            } else {
                taken[group].1 += 1;
            }
            reused += usize::from(is_reused);
            height += thickness;
        }
        let bare_ends = match (discs, spacers) {
            (_, 2..) => 0,
            (1, _) | (_, 1) => 1,
            _ => 2,
        };
        let window = problem.target_um..=problem.target_um + problem.tolerance_um;
        if legal
            && discs > 0
            && plates + 1 == discs
            && spacers <= problem.most_spacers
            && bare_able >= bare_ends
            && window.contains(&height)
        {
            let rank = (reused, height - problem.target_um, Reverse(discs), spacers);
            let key = if discs >= least { least } else { discs };
            let entry = found.entry(key).or_default().entry(taken).or_insert(rank);
            *entry = rank.min(*entry);
        }
        // Counts up; a disc is in the pack or not.
        let most = |index: usize| if listed[index].1 == Kind::Disc { 1 } else { 2 };
        let Some(next) = (0..state.len()).find(|&i| state[i] < most(i)) else {
            break;
        };
        state[..next].fill(0);
        state[next] += 1;
    }
    assert!(least <= all);
    let mut ranks: Vec<Rank> = found
        .pop_last()
        .map_or_else(Vec::new, |(_, by)| by.into_values().collect());
    ranks.sort();
    ranks
}

fn random_groups(random: &mut Pcg64) -> Vec<Group> {
    let mut up_to = |n: u64| random.next_u64() % n;
    let mut groups = Vec::new();
    let (mut discs, mut others) = (5, 6);
    while discs > 0 || others > 0 {
        let kind = if discs > 0 {
            Kind::Disc
        } else if up_to(8) == 0 {
            Kind::Spacer
        } else {
            Kind::Plate
        };
        let left = if kind == Kind::Disc {
            &mut discs
        } else {
            &mut others
        };
        let count = 1 + up_to(*left as u64) as usize;
        *left -= count;
        let nominal = 900 + 100 * up_to(8) as u32;
        let measured = up_to(2) == 0;
        let parts = (0..count)
            .map(|_| Part {
                thickness_um: if measured {
                    nominal - 30 + up_to(60) as u32
                } else {
                    nominal
                },
                u_mm: 0.005,
            })
            .collect();
        groups.push(Group {
            name: format!("group {}", groups.len()),
            kind,
            coated: kind != Kind::Spacer && up_to(if kind == Kind::Disc { 6 } else { 2 }) == 0,
            reused: up_to(3) == 0,
            measured,
            parts,
        });
    }
    groups
}

#[test]
fn nothing_beats_the_search_on_500_random_part_sets() {
    let mut with_choice = 0;
    for seed in 0..500 {
        let mut random = Pcg64::new(seed, 7);
        let groups = random_groups(&mut random);
        let new = groups
            .iter()
            .filter(|g| g.kind == Kind::Disc && !g.reused)
            .map(|g| g.parts.len())
            .sum();
        // About as high as some number of discs with their plates.
        let parts = || groups.iter().flat_map(|g| &g.parts);
        let mean_um = parts().map(|p| p.thickness_um).sum::<u32>() / parts().count() as u32;
        let discs = 2 + (random.next_u64() % 4) as u32;
        let target_um = mean_um * (2 * discs - 1) + (random.next_u64() % 800) as u32 - 500;
        let problem = Problem {
            discs: DiscCount::AtLeast(new),
            most_spacers: (random.next_u64() % 3) as usize,
            target_um,
            tolerance_um: 50 + (random.next_u64() % 350) as u32,
            groups: &groups,
        };
        let all = every_rank(&problem);
        let found = best(&problem, 6);
        let ranks: Vec<Rank> = found.iter().map(|f| rank(f, problem.target_um)).collect();
        assert_eq!(ranks, all[..all.len().min(6)], "seed {seed}: {problem:?}");
        with_choice += usize::from(!found.is_empty());
        for stack in &found {
            check_built(stack, &groups);
        }
    }
    assert!(
        with_choice > 250,
        "only {with_choice} sets had a stack to compare"
    );
}

/// What a mechanic would see on the bench.
fn check_built(found: &Found, groups: &[Group]) {
    for side in [Side::Piston, Side::Far] {
        let stack = arrange::arrange(found, groups, side);
        let height: u32 = stack.iter().map(|p| p.measured.thickness_um).sum();
        assert_eq!(height, found.height_um);
        let pack: Vec<&Placed> = stack.iter().filter(|p| !p.spacer).collect();
        for (index, part) in pack.iter().enumerate() {
            assert_eq!(part.kind == Kind::Disc, index % 2 == 0, "{stack:?}");
        }
        assert_eq!(pack.len() % 2, 1);
        let inner = stack.split(|p| p.spacer).filter(|run| !run.is_empty());
        assert_eq!(inner.count(), 1, "spacers stand outside: {stack:?}");
        for end in [stack.first(), stack.last()] {
            assert!(end.is_some_and(|p| !p.coated), "{stack:?}");
        }
        let mut each: Vec<(usize, usize)> = stack.iter().map(|p| (p.group, p.part)).collect();
        each.sort_unstable();
        each.dedup();
        assert_eq!(each.len(), stack.len(), "no part stands twice");
    }
}

#[test]
fn the_nearest_heights_are_named_when_nothing_fits() {
    let parts = Parts::parse(
        "[target]\nheight_mm = 5\ntolerance_mm = 0.1\n[[disc]]\nthickness_mm = 1.5\ncount = 3\n\
         [[plate]]\nthickness_mm = 1.0\ncount = 1\n[[plate]]\nthickness_mm = 0.8\ncount = 2\n",
    )
    .unwrap();
    let stacks = choose(&parts, None, 5).unwrap();
    assert!(stacks.choices.is_empty());
    // Two discs, a plate and a spacer: 4.8; three discs and two thin plates: 6.1.
    assert_eq!(stacks.nearest_below_mm, Some(4.8));
    assert_eq!(stacks.nearest_above_mm, Some(6.1));
    let why = stacks.why.unwrap();
    assert!(why.contains("4.8") && why.contains("6.1"), "{why}");
    let problem = Problem {
        groups: &parts.groups,
        discs: DiscCount::Exactly(3),
        most_spacers: 0,
        target_um: 7_000,
        tolerance_um: 0,
    };
    assert_eq!(nearest(&problem).below_um, Some(6_300));
    assert_eq!(nearest(&problem).above_um, None);
}

const BENCH: &str = "\
[micrometer]
uncertainty_mm = 0.003
zero_uncertainty_mm = 0.001
[stock]
height_mm = 6.5
discs = 3
clearance_mm = 0.6
[removed]
height_mm = 6.2
[[disc]]
measured_mm = [1.502, 1.499, 1.5]
[[plate]]
thickness_mm = 1
count = 2
coated = true
";

#[test]
fn clearance_travel_and_uncertainty() {
    let parts = Parts::parse(&format!(
        "{BENCH}[target]\nclearance_mm = 0.7\ntolerance_mm = 0.2\n"
    ))
    .unwrap();
    let vehicle = Vehicle::parse(
        "name = \"a\"\ndecoder = \"b\"\n[coupling]\npiston_area_m2 = 0.0025\npump_flow_m3_s = 2.5e-5\nfriction_surfaces = 4\n",
    )
    .unwrap();
    let stacks = choose(&parts, Some(&vehicle), 5).unwrap();
    assert_eq!((stacks.target_mm, stacks.target_from), (6.4, "clearance"));
    let [choice] = &stacks.choices[..] else {
        panic!("{stacks:?}")
    };
    assert_eq!((choice.height_mm, choice.over_target_mm), (6.501, 0.101));
    // Three readings of 3 µm, one that stands for two parts, and a zero of 1 µm in each of five.
    let u = (3.0 * 0.003f64.powi(2) + 0.006f64.powi(2) + 0.005f64.powi(2)).sqrt();
    assert!((choice.u_height_mm - u).abs() < 1e-12);
    assert_eq!(choice.clearance_mm.as_ref().unwrap().0, 0.599);
    assert_eq!(choice.travel_saved_mm, Ok((0.301, "removed")));
    // 0.301 mm on 25 cm² at 25 cm³/s.
    assert!((choice.dead_time_change_ms.as_ref().unwrap() + 30.1).abs() < 1e-9);
    assert!(
        choice
            .torque_capacity_nm
            .as_ref()
            .unwrap_err()
            .contains("coupling.max_pressure_bar")
    );
    assert_eq!(choice.faces_change_percent, Ok(0.0));
    assert!(
        stacks
            .notes
            .iter()
            .any(|n| n.contains("friction_surfaces = 4")),
        "{:?}",
        stacks.notes
    );
}

#[test]
fn what_is_wrong_with_a_stack_is_said() {
    let warned = |text: &str| {
        let stacks = choose(&Parts::parse(text).unwrap(), None, 1).unwrap();
        stacks.choices[0].warnings.join(" ")
    };
    let drags = warned(&format!(
        "{BENCH}[target]\nheight_mm = 6.5\n[limits]\nleast_clearance_mm = 0.9\n"
    ));
    assert!(drags.contains("would drag"), "{drags}");
    let too_high = warned(&format!(
        "{BENCH}[target]\nheight_mm = 6.5\n[room]\nheight_mm = 6.4\n"
    ));
    assert!(too_high.contains("cannot open"), "{too_high}");
    let mixed = warned(
        "[target]\nheight_mm = 6.2\n[[disc]]\nmeasured_mm = [1.5, 1.5]\n[[disc]]\nmeasured_mm = [1.3]\nreused = true\n\
         [[plate]]\nthickness_mm = 0.9\ncount = 1\n[[plate]]\nthickness_mm = 1.2\ncount = 1\ncoated = true\n[pack]\ndiscs = 3\n",
    );
    for part in [
        "new and reused discs",
        "1.3 to 1.5",
        "Coated and uncoated",
        "warps",
    ] {
        assert!(mixed.contains(part), "{part}: {mixed}");
    }
    let unsure = warned(&format!("{BENCH}[target]\nheight_mm = 6.5\n"));
    assert!(unsure.contains("measure the parts again"), "{unsure}");
}

/// Only the keys that are written down: another spelling is told with its line.
#[test]
fn a_key_has_one_name() {
    let spelt = [
        ("[[disc]]", "[[discs]]"),
        ("measured_mm", "measured"),
        ("thickness_mm", "thickness"),
    ];
    for (right, wrong) in spelt {
        let text = format!("{BENCH}[target]\nheight_mm = 6.4\n");
        let line = text.lines().position(|l| l.contains(right)).unwrap() + 1;
        let error = Parts::parse(&text.replacen(right, wrong, 1)).unwrap_err();
        assert!(error.message.contains("unknown key"), "{error}");
        assert_eq!(error.line, Some(line), "{error}");
        Parts::parse(&text).unwrap();
    }
}
