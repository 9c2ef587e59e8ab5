//! Certified values of the Statistical Reference Datasets of the National Institute of Standards and
//! Technology (itl.nist.gov/div898/strd, linear least squares).

use super::*;

/// `B0 + B1 x1 + …` over rows of `y, x1, …`.
fn linear<const N: usize>(rows: &[[f64; N]]) -> impl Fn(&[f64]) -> Option<Vec<f64>> + '_ {
    move |b| {
        Some(
            rows.iter()
                .map(|row| {
                    b[0] + row[1..]
                        .iter()
                        .zip(&b[1..])
                        .map(|(x, b)| x * b)
                        .sum::<f64>()
                        - row[0]
                })
                .collect(),
        )
    }
}

fn check(found: &Solution, certified: &[(f64, f64)], digits: f64, deviation: f64, squares: f64) {
    let n = found.residuals.len() as f64 - certified.len() as f64;
    let sigma = (found.squares() / n).sqrt();
    let near = |what: &str, a: f64, b: f64| {
        assert!(
            (a / b - 1.0).abs() < 10.0_f64.powf(-digits),
            "{what}: {a}, certified {b}"
        );
    };
    near("residual deviation", sigma, deviation);
    near("sum of squares", found.squares(), squares);
    for (i, (value, u)) in certified.iter().enumerate() {
        let mut gradient = vec![0.0; certified.len()];
        gradient[i] = 1.0;
        near(&format!("B{i}"), found.x[i], *value);
        near(
            &format!("u(B{i})"),
            sigma * found.variance(&gradient).sqrt(),
            *u,
        );
    }
}

/// Norris: calibration of ozone monitors, 36 observations, lower level of difficulty.
#[test]
fn norris() {
    const ROWS: [[f64; 2]; 36] = [
        [0.1, 0.2],
        [338.8, 337.4],
        [118.1, 118.2],
        [888.0, 884.6],
        [9.2, 10.1],
        [228.1, 226.5],
        [668.5, 666.3],
        [998.5, 996.3],
        [449.1, 448.6],
        [778.9, 777.0],
        [559.2, 558.2],
        [0.3, 0.4],
        [0.1, 0.6],
        [778.1, 775.5],
        [668.8, 666.9],
        [339.3, 338.0],
        [448.9, 447.5],
        [10.8, 11.6],
        [557.7, 556.0],
        [228.3, 228.1],
        [998.0, 995.8],
        [888.8, 887.6],
        [119.6, 120.2],
        [0.3, 0.3],
        [0.6, 0.3],
        [557.6, 556.8],
        [339.3, 339.1],
        [888.0, 887.2],
        [998.5, 999.0],
        [778.9, 779.0],
        [10.2, 11.1],
        [117.6, 118.3],
        [228.9, 229.2],
        [668.4, 669.1],
        [449.2, 448.9],
        [0.2, 0.5],
    ];
    let found = least_squares(&[0.0, 0.5], &[1.0, 1.0], linear(&ROWS)).unwrap();
    let certified = [
        (-0.262_323_073_774_029, 0.232_818_234_301_152),
        (1.002_116_818_020_45, 0.429_796_848_199_937e-3),
    ];
    check(
        &found,
        &certified,
        9.0,
        0.884_796_396_144_373,
        26.617_398_529_422_4,
    );
}

/// Longley: 16 years, six predictors that run together, higher level of difficulty.
#[test]
fn longley() {
    const ROWS: [[f64; 7]; 16] = [
        [60323.0, 83.0, 234_289.0, 2356.0, 1590.0, 107_608.0, 1947.0],
        [61122.0, 88.5, 259_426.0, 2325.0, 1456.0, 108_632.0, 1948.0],
        [60171.0, 88.2, 258_054.0, 3682.0, 1616.0, 109_773.0, 1949.0],
        [61187.0, 89.5, 284_599.0, 3351.0, 1650.0, 110_929.0, 1950.0],
        [63221.0, 96.2, 328_975.0, 2099.0, 3099.0, 112_075.0, 1951.0],
        [63639.0, 98.1, 346_999.0, 1932.0, 3594.0, 113_270.0, 1952.0],
        [64989.0, 99.0, 365_385.0, 1870.0, 3547.0, 115_094.0, 1953.0],
        [63761.0, 100.0, 363_112.0, 3578.0, 3350.0, 116_219.0, 1954.0],
        [66019.0, 101.2, 397_469.0, 2904.0, 3048.0, 117_388.0, 1955.0],
        [67857.0, 104.6, 419_180.0, 2822.0, 2857.0, 118_734.0, 1956.0],
        [68169.0, 108.4, 442_769.0, 2936.0, 2798.0, 120_445.0, 1957.0],
        [66513.0, 110.8, 444_546.0, 4681.0, 2637.0, 121_950.0, 1958.0],
        [68655.0, 112.6, 482_704.0, 3813.0, 2552.0, 123_366.0, 1959.0],
        [69564.0, 114.2, 502_601.0, 3931.0, 2514.0, 125_368.0, 1960.0],
        [69331.0, 115.7, 518_173.0, 4806.0, 2572.0, 127_852.0, 1961.0],
        [70551.0, 116.9, 554_894.0, 4007.0, 2827.0, 130_081.0, 1962.0],
    ];
    let start = [0.0; 7];
    let steps = [1e5, 10.0, 0.01, 0.1, 0.1, 0.1, 100.0];
    let found = least_squares(&start, &steps, linear(&ROWS)).unwrap();
    let certified = [
        (-3_482_258.634_595_82, 890_420.383_607_373),
        (15.061_872_271_373_3, 84.914_925_774_766_9),
        (-0.035_819_179_292_591_0, 0.033_491_007_772_243_2),
        (-2.020_229_803_816_83, 0.488_399_681_651_699),
        (-1.033_226_867_173_59, 0.214_274_163_161_675),
        (-0.051_104_105_653_580_7, 0.226_073_200_069_370),
        (1_829.151_464_613_55, 455.478_499_142_212),
    ];
    check(
        &found,
        &certified,
        6.0,
        304.854_073_561_965,
        836_424.055_505_915,
    );
}

/// Misra1a: a dental study in monomolecular adsorption, 14 observations, lower level of difficulty
/// (nonlinear least squares), from both of its starts and with either kind of slopes.
#[test]
fn misra1a() {
    const ROWS: [[f64; 2]; 14] = [
        [10.07, 77.6],
        [14.73, 114.9],
        [17.94, 141.1],
        [23.93, 190.8],
        [29.61, 239.9],
        [35.18, 289.0],
        [40.02, 332.8],
        [44.82, 378.4],
        [50.76, 434.8],
        [55.05, 477.3],
        [61.01, 536.8],
        [66.40, 593.1],
        [75.47, 689.1],
        [81.78, 760.0],
    ];
    let with_slopes = |b: &[f64; 2]| {
        let [whole, rate] = *b;
        let left = ROWS.map(|[_, x]| (-rate * x).exp());
        Some(Linearised {
            residuals: ROWS
                .iter()
                .zip(left)
                .map(|([y, _], left)| whole * (1.0 - left) - y)
                .collect(),
            slopes: ROWS
                .iter()
                .zip(left)
                .map(|([_, x], left)| [1.0 - left, whole * x * left])
                .collect(),
        })
    };
    let residuals = |b: &[f64]| Some(with_slopes(b.try_into().ok()?)?.residuals);
    let certified = [
        (2.389_421_291_8e2, 2.707_007_524_1),
        (5.501_564_318_1e-4, 7.266_868_843_6e-6),
    ];
    for start in [[500.0, 1e-4], [250.0, 5e-4]] {
        for found in [
            least_squares_with_slopes(&start, with_slopes),
            least_squares(&start, &[1e-2, 1e-8], residuals),
        ] {
            check(
                &found.unwrap(),
                &certified,
                6.0,
                1.018_787_633_0e-1,
                1.245_513_889_4e-1,
            );
        }
    }
}

#[test]
fn parameters_that_do_nothing_are_refused() {
    let rows = [[1.0, 2.0], [2.0, 3.0], [3.0, 5.0]];
    let twice = |b: &[f64]| linear(&rows)(&[b[0] + b[1], b[2]]);
    assert!(least_squares(&[0.0, 0.0, 0.0], &[1.0; 3], twice).is_none());
    assert!(least_squares(&[0.0, 0.0], &[1.0; 2], linear(&rows[..1])).is_none());
    assert!(least_squares(&[], &[], |_| Some(vec![1.0])).is_none());
    assert!(least_squares_with_slopes(&[], |_: &[f64; 0]| Some(Linearised::default())).is_none());
    assert!(least_squares_with_slopes(&[0.0], |_: &[f64; 1]| None).is_none());
    let too_few_slopes = |_: &[f64; 1]| {
        Some(Linearised {
            residuals: vec![1.0, 2.0],
            slopes: vec![[1.0]],
        })
    };
    assert!(least_squares_with_slopes(&[0.0], too_few_slopes).is_none());
}
