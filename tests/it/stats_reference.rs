//! Published and independently computed values for the survival estimators.
//!
//! Tables with ten printed digits were computed with general-purpose statistics software; where a value is also in print, the
//! line says where. `tests/reference/survival.json` holds values at full precision, made by the script beside it.

#![expect(clippy::expect_used, reason = "a test that cannot go on should say where")]

use manebit::quantity::{
    Behind, ConfidenceLevel, DAYS_PER_YEAR, Days, Estimate, Fraction, IntervalMethod, Known, Variance, WhyNotKnown, Years,
};
use manebit::stats::{
    AnnualFailureRate, Ending, Grouping, Inference, LifeTable, Observations, ProductLimit, SurvivalIntervalMethod,
    geometric_annual_failure_rate, linear_annual_failure_rate, log_rank, log_rank_of_tables, median,
    person_time_annual_failure_rate, person_time_over_years, poisson_interval, restricted_mean, survival_curve,
    survival_interval, wilson_interval,
};
use serde_json::Value;

/// How near is near enough.
#[derive(Clone, Copy)]
enum Within {
    /// Part of the reference value (absolute where that is 0).
    Relative(f64),
    /// Ten printed digits: half a unit in the last of them, and a hair for the rounding of the decimal itself.
    TenDigits,
    /// Seven printed digits, likewise.
    SevenDigits,
    /// An absolute difference.
    Absolute(f64),
}

#[track_caller]
fn close(value: f64, reference: f64, within: Within) {
    let printed = |digits: f64| {
        let magnitude = if reference.abs() > 0.0 { reference.abs().log10().floor() } else { 0.0 };
        0.5001 * 10.0_f64.powf(magnitude + 1.0 - digits)
    };
    let allowed = match within {
        Within::Relative(part) => part * if reference.abs() > 0.0 { reference.abs() } else { 1.0 },
        Within::TenDigits => printed(10.0),
        Within::SevenDigits => printed(7.0),
        Within::Absolute(difference) => difference,
    };
    assert!((value - reference).abs() <= allowed, "{value:?} against {reference:?}, allowed {allowed:e}");
}

const METHODS: [(SurvivalIntervalMethod, &str); 3] = [
    (SurvivalIntervalMethod::Plain, "plain"),
    (SurvivalIntervalMethod::Log, "log"),
    (SurvivalIntervalMethod::ComplementaryLogLog, "complementary_log_log"),
];

/// Observations from a list such as `6, 6+` (a plus marks a censored time), each its own cluster. Times are multiplied by
/// `scale` to make them whole.
fn listed(text: &str, scale: f64) -> Observations {
    let mut observations = Observations::default();
    for (cluster, item) in (0..).zip(text.split(',')) {
        let item = item.trim();
        let time = item.trim_end_matches('+').parse::<f64>().expect("a time") * scale;
        let ending = if item.ends_with('+') { Ending::Censored } else { Ending::Failed };
        observations.push(Days::new(0), Years::new(time / DAYS_PER_YEAR).days(), ending, cluster).expect("in order");
    }
    observations
}

/// Several lists as one, with the list as the group. Each observation keeps a cluster of its own.
fn listed_groups(texts: &[&str], scale: f64) -> (Observations, Grouping) {
    let (mut all, mut codes) = (Observations::default(), Vec::new());
    for (code, text) in (0..).zip(texts) {
        let group = listed(text, scale);
        for i in 0..group.len() {
            let cluster = u32::try_from(codes.len()).expect("few");
            all.push(Days::new(0), Days::new(group.exit()[i]), group.ending()[i], cluster).expect("in order");
            codes.push(code);
        }
    }
    (all, Grouping::new(codes, u16::try_from(texts.len()).expect("few")).expect("levels"))
}

/// day, at risk, failed, S, variance of S, then plain, log and complementary log–log limits (95 %).
type Row = (i32, u64, u64, f64, f64, [f64; 6]);

fn agrees_with_rows(observations: &Observations, rows: &[Row]) {
    let curve = ProductLimit::estimate(&LifeTable::count(observations));
    let mut steps = curve.steps().iter();
    for &(day, at_risk, failed, survival, variance, limits) in rows {
        let step = steps.next().expect("a step");
        assert_eq!((step.day, step.at_risk, step.failed), (Days::new(day), at_risk, failed));
        close(step.survival.value(), survival, Within::TenDigits);
        let error = *curve.standard_error_at(step.day).known().expect("defined");
        close(error * error, variance, Within::TenDigits);
        for ((method, _), limits) in METHODS.iter().zip(limits.chunks(2)) {
            let interval = curve.interval_at(step.day, *method, ConfidenceLevel::USUAL);
            let interval = interval.known().expect("defined");
            close(interval.lower.value(), limits[0], Within::SevenDigits);
            close(interval.upper.value(), limits[1], Within::SevenDigits);
        }
    }
    assert!(steps.all(|step| step.at_risk == step.failed), "only the step to 0 has no row");
}

const FREIREICH: [&str; 2] = [
    "6, 6, 6, 6+, 7, 9+, 10, 10+, 11+, 13, 16, 17+, 19+, 20+, 22, 23, 25+, 32+, 32+, 34+, 35+",
    "1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23",
];
const LEUKAEMIA: [&str; 2] =
    ["9, 13, 13+, 18, 23, 28+, 31, 34, 45+, 48, 161+", "5, 5, 8, 8, 12, 16+, 23, 27, 30, 33, 43, 45"];

#[test]
fn ten_rows_by_hand() {
    // By hand, every step; limits computed with general-purpose software.
    let rows = [
        (2, 10, 1, 0.9, 0.009, [0.7140615, 1.0, 0.7320116, 1.0, 0.4730093, 0.9852814]),
        (4, 8, 2, 0.675, 0.024_046_875, [0.3710673, 0.9789327, 0.4302825, 1.0, 0.2905854, 0.8824967]),
        (6, 5, 1, 0.54, 0.02997, [0.2006941, 0.8793059, 0.2880761, 1.0, 0.1811653, 0.8007125]),
        (7, 4, 2, 0.27, 0.0257175, [0.0, 0.5843131, 0.08429305, 0.86484, 0.04135697, 0.5838146]),
    ];
    agrees_with_rows(&listed("2, 4, 4+, 6, 9+, 3+, 4, 7, 7, 10+", 1.0), &rows);
    let rows = [
        (2, 5, 1, 0.8, 0.032, [0.449391, 1.0, 0.5161258, 1.0, 0.2038093, 0.9691798]),
        (4, 4, 1, 0.6, 0.048, [0.1705934, 1.0, 0.2933164, 1.0, 0.1257302, 0.8817564]),
        (6, 2, 1, 0.3, 0.057, [0.0, 0.767935, 0.06305448, 1.0, 0.01230153, 0.719218]),
    ];
    agrees_with_rows(&listed("2, 4, 4+, 6, 9+", 1.0), &rows);
}

#[test]
fn remission_in_leukaemia_treated_arm() {
    // Freireich et al., Blood 1963;21:699–716, 6-MP arm, weeks. S to three places: Kalbfleisch & Prentice (from memory).
    let rows = [
        (6, 21, 3, 0.857_142_857_1, 0.005_830_903_79, [0.7074793, 1.0, 0.7198171, 1.0, 0.619718, 0.9515517]),
        (7, 17, 1, 0.806_722_689_1, 0.007_557_743_809, [0.6363327, 0.9771127, 0.6531242, 0.9964437, 0.5631466, 0.922809]),
        (10, 15, 1, 0.752_941_176_5, 0.009_283_255_632, [0.5640993, 0.941783, 0.585919, 0.9675748, 0.5031995, 0.8893618]),
        (13, 12, 1, 0.690_196_078_4, 0.011_409_381_8, [0.4808431, 0.8995491, 0.5096131, 0.9347692, 0.4316102, 0.849066]),
        (16, 11, 1, 0.627_450_980_4, 0.013_008_284_18, [0.4039095, 0.8509924, 0.4393939, 0.8959949, 0.3675109, 0.8049122]),
        (22, 7, 1, 0.537_815_126_1, 0.016_443_895_07, [0.2864816, 0.7891487, 0.3370366, 0.8582008, 0.2677789, 0.7467907]),
        (23, 6, 1, 0.448_179_271_7, 0.018_114_860_23, [0.1843849, 0.7119737, 0.2487882, 0.807372, 0.188052, 0.6801426]),
    ];
    let observations = listed(FREIREICH[0], 1.0);
    agrees_with_rows(&observations, &rows);
    for (row, printed) in rows.iter().zip([0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448]) {
        close(row.3, printed, Within::Absolute(0.0005));
    }
    // Three of 21 in week 6, exact fraction.
    let curve = survival_curve(&observations, Variance::ModelBased);
    close(curve.survival_at(Days::new(6)).known().expect("followed").value(), 18.0 / 21.0, Within::Relative(1e-15));
}

#[test]
fn remission_in_leukaemia_placebo_arm() {
    // Freireich et al., as above, placebo arm.
    let rows = [
        (1, 21, 2, 0.904_761_904_8, 0.004_103_228_593, [0.7792136, 1.0, 0.787535, 1.0, 0.6700459, 0.9752941]),
        (2, 19, 2, 0.809_523_809_5, 0.007_342_619_588, [0.6415763, 0.9774713, 0.6578531, 0.9961629, 0.5689051, 0.9238888]),
        (3, 17, 1, 0.761_904_761_9, 0.008_638_375_985, [0.5797401, 0.9440694, 0.5998805, 0.9676909, 0.5193914, 0.8932571]),
        (4, 16, 2, 0.666_666_666_7, 0.010_582_010_58, [0.4650473, 0.868286, 0.4926806, 0.9020944, 0.4253504, 0.825044]),
        (5, 14, 2, 0.571_428_571_4, 0.011_661_807_58, [0.3597724, 0.7830848, 0.3945481, 0.8276066, 0.337977, 0.7492407]),
        (8, 12, 4, 0.380_952_381, 0.011_229_888_78, [0.1732527, 0.5886521, 0.2208454, 0.6571327, 0.1830665, 0.5777887]),
        (11, 8, 2, 0.285_714_285_7, 0.009_718_172_983, [0.09249948, 0.4789291, 0.1452913, 0.5618552, 0.1165613, 0.4818196]),
        (12, 6, 2, 0.190_476_190_5, 0.007_342_619_588, [0.02252867, 0.3584237, 0.07887014, 0.4600116, 0.0594817, 0.3774349]),
        (15, 4, 1, 0.142_857_142_9, 0.005_830_903_79, [0.0, 0.2925207, 0.05010898, 0.4072755, 0.03565736, 0.3211616]),
        (17, 3, 1, 0.095_238_095_24, 0.004_103_228_593, [0.0, 0.2207864, 0.02548583, 0.3558956, 0.01625926, 0.26125]),
        (22, 2, 1, 0.047_619_047_62, 0.002_159_593_996, [0.0, 0.1387014, 0.00703223, 0.3224544, 0.003324463, 0.1970449]),
    ];
    let observations = listed(FREIREICH[1], 1.0);
    agrees_with_rows(&observations, &rows);
    let curve = survival_curve(&observations, Variance::ModelBased);
    assert_eq!(curve.survival_at(Days::new(23)), Known::Known(Fraction::new(0.0)));
    assert_eq!(curve.standard_error_at(Days::new(23)), Known::NotKnown(WhyNotKnown::AllFailed));
}

#[test]
fn remission_medians_and_means() {
    // Freireich et al., as above. Medians with log limits: 23 (16 to not reached) and 8 (4 to 12), in public teaching material.
    let weeks = |day: i32| Known::Known(Days::new(day));
    let not_reached = Known::NotKnown(WhyNotKnown::NotReached);
    let inference =
        Inference { variance: Variance::ModelBased, method: SurvivalIntervalMethod::Log, level: ConfidenceLevel::USUAL };
    let means = [(16.116_526_61, 1.251_560_196), (8.428_571_429, 1.268_082_683)];
    let medians = [(weeks(23), weeks(16), not_reached), (weeks(8), weeks(4), weeks(12))];
    for ((text, (mean, error)), (value, lower, upper)) in FREIREICH.iter().zip(means).zip(medians) {
        let observations = listed(text, 1.0);
        let median = median(&survival_curve(&observations, Variance::ModelBased), inference);
        assert_eq!((median.value, median.lower, median.upper, median.flat_until), (value, lower, upper, None));
        let result = restricted_mean(&observations, Days::new(20), inference).known().expect("followed").days;
        close(result.value, mean, Within::TenDigits);
        close(result.standard_error.expect("known"), error, Within::TenDigits);
    }
}

#[test]
fn maintained_arm_in_leukaemia() {
    // Miller RG. Survival Analysis, 1981, maintained arm, weeks. S to two places (from memory): 0.91 0.82 0.72 0.61 0.49 0.37 0.18.
    let rows = [
        (9, 11, 1, 0.909_090_909_1, 0.007_513_148_009, [0.7392043, 1.0, 0.7541338, 1.0, 0.5080802, 0.9866738]),
        (13, 10, 1, 0.818_181_818_2, 0.013_523_666_42, [0.5902551, 1.0, 0.619249, 1.0, 0.4474286, 0.9511622]),
        (18, 8, 1, 0.715_909_090_9, 0.019_506_304, [0.4421708, 0.9896474, 0.4884263, 1.0, 0.3501904, 0.899024]),
        (23, 7, 1, 0.613_636_363_6, 0.023_296_628_47, [0.3144825, 0.9127902, 0.3768671, 0.9991576, 0.265752, 0.8352992]),
        (31, 5, 1, 0.490_909_090_9, 0.026_959_429, [0.1690962, 0.812722, 0.25486, 0.945585, 0.1673309, 0.7533998]),
        (34, 4, 1, 0.368_181_818_2, 0.026_461_166_42, [0.04935666, 0.687007, 0.1548771, 0.8752607, 0.09282957, 0.6570408]),
        (48, 2, 1, 0.184_090_909_1, 0.023_560_023_01, [0.0, 0.4849312, 0.0359179, 0.9435258, 0.01173848, 0.5250148]),
    ];
    agrees_with_rows(&listed(LEUKAEMIA[0], 1.0), &rows);
    for (row, printed) in rows.iter().zip([0.91, 0.82, 0.72, 0.61, 0.49, 0.37, 0.18]) {
        close(row.3, printed, Within::Absolute(0.005));
    }
}

#[test]
fn log_rank_tests_in_print() {
    let ten = ["2, 4, 4+, 6, 9+", "3+, 4, 7, 7, 10+"];
    let dialysis = [
        "1.5, 2.5+, 2.5+, 3.5, 3.5+, 3.5+, 3.5+, 4.5, 4.5, 4.5+, 5.5, 5.5+, 6.5+, 6.5+, 7.5+, 7.5+, 7.5+, 7.5+, 8.5, 8.5, 8.5+, 9.5, \
         9.5+, 10.5, 10.5+, 11.5, 11.5+, 12.5+, 12.5+, 13.5+, 14.5+, 14.5+, 15.5, 16.5, 18.5, 21.5+, 21.5+, 22.5+, 22.5+, 23.5, \
         25.5+, 26.5, 27.5+",
        "0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 1.5+, 1.5+, 1.5+, 1.5+, 2.5, 2.5, \
         2.5+, 2.5+, 2.5+, 2.5+, 2.5+, 3.5, 3.5+, 3.5+, 3.5+, 3.5+, 3.5+, 4.5+, 4.5+, 4.5+, 5.5+, 5.5+, 5.5+, 5.5+, 5.5+, 6.5, 6.5+, \
         7.5+, 7.5+, 7.5+, 8.5+, 8.5+, 8.5+, 9.5+, 9.5+, 10.5+, 10.5+, 10.5+, 11.5+, 11.5+, 12.5+, 12.5+, 12.5+, 12.5+, 14.5+, 14.5+, \
         15.5, 16.5+, 16.5+, 18.5+, 19.5+, 19.5+, 19.5+, 20.5+, 22.5+, 24.5+, 25.5+, 26.5+, 26.5+, 28.5+",
    ];
    let larynx = [
        "0.6, 1.3, 2.4, 2.5+, 3.2, 3.2+, 3.3, 3.3+, 3.5, 3.5, 4, 4, 4.3, 4.5+, 4.5+, 5.3, 5.5+, 5.9+, 5.9+, 6, 6.1+, 6.2+, 6.4, 6.5, \
         6.5+, 6.7+, 7+, 7.4, 7.4+, 8.1+, 8.1+, 9.6+, 10.7+",
        "0.2, 1.8, 2, 2.2+, 2.6+, 3.3+, 3.6, 3.6+, 4, 4.3+, 4.3+, 5+, 6.2, 7, 7.5+, 7.6+, 9.3+",
        "0.3, 0.3, 0.5, 0.7, 0.8, 1, 1.3, 1.6, 1.8, 1.9, 1.9, 3.2, 3.5, 3.7+, 4.5+, 4.8+, 4.8+, 5, 5+, 5.1+, 6.3, 6.4, 6.5+, 7.8, 8+, \
         9.3+, 10.1+",
        "0.1, 0.3, 0.4, 0.8, 0.8, 1, 1.5, 2, 2.3, 2.9+, 3.6, 3.8, 4.3+",
    ];
    // Observed, expected, χ², p, and χ² in print: Freireich 16.793 (Kleinbaum & Klein, from memory), Miller 3.4 (from memory),
    // dialysis 2.53 and larynx 22.76 (Klein & Moeschberger, table 7.3 and section 7.3, from memory).
    type Case<'a> = (&'a [&'a str], f64, &'a [u64], &'a [f64], f64, f64, Option<(f64, f64)>);
    let cases: [Case; 5] = [
        (&ten, 1.0, &[3, 3], &[2.4, 3.6], 0.308_068_459_7, 0.578_867_881_3, None),
        (
            &FREIREICH,
            1.0,
            &[9, 21],
            &[19.250_500_95, 10.749_499_05],
            16.792_940_99,
            4.168_809_109e-5,
            Some((16.793, 0.0005)),
        ),
        (&LEUKAEMIA, 1.0, &[7, 11], &[10.689_335_99, 7.310_664_008], 3.396_388_699, 0.065_339_322_04, Some((3.4, 0.05))),
        (&dialysis, 2.0, &[15, 11], &[11.036_448_38, 14.963_551_62], 2.529_506_318, 0.111_735_169_7, Some((2.53, 0.005))),
        (
            &larynx,
            10.0,
            &[15, 7, 17, 11],
            &[22.566_039_84, 10.011_697_01, 14.084_547_72, 3.337_715_427],
            22.762_757_06,
            4.525_211_22e-5,
            Some((22.76, 0.005)),
        ),
    ];
    for (texts, scale, observed, expected, chi_square, p_value, in_print) in cases {
        let (observations, grouping) = listed_groups(texts, scale);
        let test = log_rank(&observations, &grouping, Variance::ModelBased);
        let test = test.known().expect("groups and failures");
        for (group, (&observed, &expected)) in test.groups.iter().zip(observed.iter().zip(expected)) {
            assert_eq!(group.observed, observed);
            close(group.expected, expected, Within::TenDigits);
        }
        assert_eq!(test.degrees_of_freedom as usize, texts.len() - 1);
        close(test.chi_square, chi_square, Within::TenDigits);
        close(test.p_value, p_value, Within::TenDigits);
        close(test.ln_p_value, test.p_value.ln(), Within::Relative(1e-14));
        if let Some((printed, half_a_unit)) = in_print {
            close(test.chi_square, printed, Within::Absolute(half_a_unit));
        }
        let tables = LifeTable::by_group(&observations, &grouping);
        assert_eq!(log_rank_of_tables(&tables).known(), Some(test), "the tables say all, each observation its own cluster");
    }
}

#[test]
fn competing_endings_leave_the_risk_set() {
    // Scrucca, Santucci & Aversa, Bone Marrow Transplant 2007;40:381–387 (from memory): 35 transplants, 1 − Kaplan–Meier by cause
    // (which overstates both), computed with general-purpose software.
    let groups = [
        "13:2 1:1 72:0 7:2 8:2 9:2 5:2 1:2 22:2 0:2 0:1 35:0 4:2 14:2 26:2 3:2 12:1",
        "67:0 70:0 4:0 7:0 68:0 10:2 7:2 3:1 4:1 4:1 3:1 3:1 8:1 2:2 35:0 2:0 8:0 32:0",
    ];
    let one_minus = |texts: &[&str], cause: &str| {
        let mut observations = Observations::default();
        for (cluster, item) in (0..).zip(texts.iter().flat_map(|text| text.split(' '))) {
            let (day, ending) = item.split_once(':').expect("day:cause");
            let ending = match ending {
                "0" => Ending::Censored,
                ending if ending == cause => Ending::Failed,
                _ => Ending::Competing,
            };
            observations.push(Days::new(0), Days::new(day.parse().expect("a day")), ending, cluster).expect("in order");
        }
        let curve = survival_curve(&observations, Variance::ClusterRobust);
        [5, 10, 20, 40, 60].map(|day| curve.survival_at(Days::new(day)).known().expect("followed").complement().value())
    };
    let cases: [(&[&str], &str, [f64; 5]); 5] = [
        (&groups, "1", [0.223_019_555_2, 0.268_724_287_2, 0.329_663_929_9, 0.329_663_929_9, 0.329_663_929_9]),
        (&groups[..1], "1", [0.121_568_627_5, 0.121_568_627_5, 0.247_058_823_5, 0.247_058_823_5, 0.247_058_823_5]),
        (&groups[..1], "2", [0.324_283_559_6, 0.526_998_491_7, 0.684_665_661_1, 0.842_332_830_6, 0.842_332_830_6]),
        (&groups[1..], "1", [0.3125, 0.398_437_5, 0.398_437_5, 0.398_437_5, 0.398_437_5]),
        (&groups[1..], "2", [0.055_555_555_56, 0.291_666_666_7, 0.291_666_666_7, 0.291_666_666_7, 0.291_666_666_7]),
    ];
    for (texts, cause, expected) in cases {
        for (value, expected) in one_minus(texts, cause).into_iter().zip(expected) {
            close(value, expected, Within::TenDigits);
        }
    }
}

#[test]
fn exact_poisson_limits() {
    // Garwood F. Biometrika 1936;28:437–442; ten digits from χ² quantiles of general-purpose software. 90, 95 and 99 %.
    let table: [(u64, [f64; 6]); 20] = [
        (0, [0.0, 2.995_732_274, 0.0, 3.688_879_454, 0.0, 5.298_317_367]),
        (1, [0.051_293_294_39, 4.743_864_518, 0.025_317_807_98, 5.571_643_391, 0.005_012_541_824, 7.430_129_5]),
        (2, [0.355_361_510_7, 6.295_793_622, 0.242_209_278_5, 7.224_687_668, 0.103_494_546_7, 9.273_792_089]),
        (3, [0.817_691_447_2, 7.753_656_528, 0.618_672_122_9, 8.767_273_07, 0.337_863_388_7, 10.977_477_5]),
        (4, [1.366_318_397, 9.153_519_027, 1.089_865_374, 10.241_588_68, 0.672_206_543_5, 12.594_089_79]),
        (5, [1.970_149_568, 10.513_034_91, 1.623_486_39, 11.668_332_08, 1.077_928_241, 14.149_759_41]),
        (6, [2.613_014_744, 11.842_395_65, 2.201_894_253, 13.059_474_02, 1.536_911_819, 15.659_674_81]),
        (7, [3.285_315_692, 13.148_113_8, 2.814_363_052, 14.422_675_36, 2.037_337_479, 17.133_593_27]),
        (8, [3.980_822_786, 14.434_649_72, 3.453_832_177, 15.763_189_22, 2.571_102_722, 18.578_225_73]),
        (9, [4.695_227_54, 15.705_216_42, 4.115_373_097, 17.084_803_45, 3.132_402_342, 19.998_423_16]),
        (10, [5.425_405_697, 16.962_219_24, 4.795_388_696, 18.390_356_04, 3.716_922_131, 21.397_827_5]),
        (12, [6.924_212_514, 19.442_569_33, 6.200_575_109, 20.961_585_05, 4.943_116_751, 24.144_941_17]),
        (15, [9.246_330_491, 23.097_129_76, 8.395_386_133, 24.740_218_87, 6.893_359_93, 28.164_057_48]),
        (20, [13.254_651_6, 29.062_018_84, 12.216_519_59, 30.888_377_9, 10.353_267_66, 34.667_998_73]),
        (25, [17.382_125_84, 34.916_080_17, 16.178_681_85, 36.904_931_7, 13.995_374_43, 41.000_412_85]),
        (30, [21.593_979_23, 40.690_507_59, 20.240_874_02, 42.826_865_39, 17.767_245_54, 47.209_326_47]),
        (40, [30.195_739_19, 52.069_369_12, 28.576_586_44, 54.468_646_96, 25.585_965_95, 59.363_067_21]),
        (50, [38.964_732_58, 63.287_074_1, 37.110_963_74, 65.918_766_66, 33.663_781_65, 71.266_088_48]),
        (75, [61.345_887_69, 90.885_122_87, 58.992_257_7, 94.013_149_45, 54.571_124_05, 100.328_378_2]),
        (100, [84.139_277_22, 118.079_272_8, 81.363_991_25, 121.626_793_8, 76.120_495_84, 128.760_580_1]),
    ];
    let levels = [0.90, 0.95, 0.99].map(|level| ConfidenceLevel::new(level).expect("a level"));
    for (count, limits) in table {
        for (level, limits) in levels.into_iter().zip(limits.chunks(2)) {
            let interval = poisson_interval(count, level);
            assert_eq!(interval.method, IntervalMethod::ExactPoisson);
            close(interval.lower, limits[0], Within::TenDigits);
            close(interval.upper, limits[1], Within::TenDigits);
        }
    }
    // In print: 10 events 4.80 to 18.39; 25 events 90 % 17.38 to 34.92 (public calculators' documentation citing Garwood).
    let ten = poisson_interval(10, levels[1]);
    close(ten.lower, 4.80, Within::Absolute(0.005));
    close(ten.upper, 18.39, Within::Absolute(0.005));
}

#[test]
fn wilson_limits_in_print() {
    // Newcombe RG. Stat Med 1998;17:857–872, table I (from memory, four places); eight digits computed.
    let cases = [
        (81, 263, 0.255_288_52, 0.366_209_58, 0.2553, 0.3662),
        (15, 148, 0.062_386_4, 0.160_487_24, 0.0624, 0.1605),
        (0, 20, 0.0, 0.161_125_16, 0.0, 0.1611),
        (1, 29, 0.006_113_214_3, 0.171_755_22, 0.0061, 0.1718),
    ];
    for (part, whole, lower, upper, printed_lower, printed_upper) in cases {
        let interval = *wilson_interval(part, whole, ConfidenceLevel::USUAL).known().expect("some");
        close(interval.lower.value(), lower, Within::Absolute(5.1e-9));
        close(interval.upper.value(), upper, Within::Absolute(5.1e-9));
        close(interval.lower.value(), printed_lower, Within::Absolute(5.1e-5));
        close(interval.upper.value(), printed_upper, Within::Absolute(5.1e-5));
    }
}

/// A survival that a paper printed, with no interval.
fn printed_survival(survival: f64) -> Estimate<Fraction> {
    Estimate {
        value: Fraction::new(survival),
        standard_error: None,
        variance: Variance::ModelBased,
        interval: Known::NotKnown(WhyNotKnown::NoObservations),
        behind: Behind::default(),
    }
}

fn percent(rate: Known<AnnualFailureRate>) -> f64 {
    rate.known().expect("a rate").estimate.value.per_hundred_years()
}

#[test]
fn annual_failure_rates_of_dental_reports_are_reproduced() {
    // Recomputed from the published counts or survivals of reports on direct restorations; geometric and linear, per cent a year,
    // to the printed digits. The table shows which formula each report had used.
    let cases = [
        // Class III, 15 of 120 after 4.8 years: 2.74 reported, geometric.
        (1.0 - 15.0 / 120.0, 4.8, (2.74, 0.005), (2.60, 0.005)),
        // Class IV, 38 of 80: 12.6 reported, geometric.
        (1.0 - 38.0 / 80.0, 4.8, (12.56, 0.005), (9.90, 0.005)),
        // Success 65.92 % and survival 74.61 % at 10 years: 4.08 and 2.88 reported (the latter rounded down), geometric.
        (0.6592, 10.0, (4.08, 0.005), (3.41, 0.005)),
        (0.7461, 10.0, (2.89, 0.005), (2.54, 0.005)),
        // Loss of 26.3 % and 94.7 % at 13 years: 2.0 and 7.3 reported, linear.
        (1.0 - 0.263, 13.0, (2.32, 0.005), (2.02, 0.005)),
        (1.0 - 0.947, 13.0, (20.2, 0.05), (7.28, 0.005)),
        // 35.6 % at 13 years: 2.7 reported, linear.
        (1.0 - 0.356, 13.0, (3.33, 0.005), (2.74, 0.005)),
        // 86.8 %: 13.0 reported, neither.
        (1.0 - 0.868, 13.0, (14.4, 0.05), (6.68, 0.005)),
        // 5 of 43 at 4 years: 2.9 reported, linear.
        (1.0 - 5.0 / 43.0, 4.0, (3.04, 0.005), (2.91, 0.005)),
    ];
    for (survival, years, geometric, linear) in cases {
        let (survival, years) = (printed_survival(survival), Years::new(years));
        close(percent(geometric_annual_failure_rate(&survival, years)), geometric.0, Within::Absolute(geometric.1));
        close(percent(linear_annual_failure_rate(&survival, years)), linear.0, Within::Absolute(linear.1));
    }
    // The formula 1 − (1 − x)^(1/z) to ten digits (formula).
    for (failed, years, rate) in [
        (0.1, 5.0, 0.020_851_637_64),
        (0.25, 10.0, 0.028_358_342_14),
        (0.05, 3.0, 0.016_952_427_51),
        (0.5, 20.0, 0.034_063_671_08),
    ] {
        let value = percent(geometric_annual_failure_rate(&printed_survival(1.0 - failed), Years::new(years)));
        close(value / 100.0, rate, Within::TenDigits);
    }
    // A reported 1.8 % a year over 5 years and 2.4 % over 10 stand for 91.3 % and 78.4 % survival.
    for (survival, years, rate) in [(0.913, 5.0, 1.8), (0.784, 10.0, 2.4)] {
        let value = percent(geometric_annual_failure_rate(&printed_survival(survival), Years::new(years)));
        close(value, rate, Within::Absolute(0.05));
    }
}

#[test]
fn person_time_rates_have_exact_limits() {
    // Recomputed: 80 failures in 62,030 restoration-months: 1.5476 per 100 years (1.227 to 1.926), reported as 1.55.
    // The others are computed from Garwood's limits, printed to two places.
    let cases = [
        (80, 62_030.0 / 12.0, (1.5476, 5.1e-5), (1.227, 1.926, 5.1e-4)),
        (0, 100.0, (0.0, 0.0), (0.0, 3.69, 0.0051)),
        (1, 50.0, (2.0, 1e-12), (0.05, 11.14, 0.0051)),
        (5, 200.0, (2.5, 1e-12), (0.81, 5.83, 0.0051)),
        (8, 198.5, (4.03, 0.0051), (1.74, 7.94, 0.0051)),
    ];
    for (failures, years, (rate, rate_unit), (lower, upper, unit)) in cases {
        let behind = Behind { observations: 300, clusters: 200, failures };
        let result = person_time_over_years(behind, Years::new(years), ConfidenceLevel::USUAL);
        let estimate = result.known().expect("exposure").estimate;
        close(estimate.value.per_hundred_years(), rate, Within::Absolute(rate_unit));
        let limits = estimate.interval.known().expect("exact limits");
        close(limits.lower.per_hundred_years(), lower, Within::Absolute(unit));
        close(limits.upper.per_hundred_years(), upper, Within::Absolute(unit));
        assert_eq!((limits.method, estimate.standard_error), (IntervalMethod::ExactPoisson, None));
    }
    // By hand: 36,525 days are 100 years.
    let behind = Behind { observations: 40, clusters: 40, failures: 2 };
    let rate = person_time_annual_failure_rate(behind, 36_525, ConfidenceLevel::USUAL);
    close(percent(rate), 2.0, Within::Relative(1e-15));
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn list(value: &Value) -> &[Value] {
    value.as_array().expect("a list")
}

fn whole(value: &Value) -> i32 {
    i32::try_from(value.as_i64().expect("a whole number")).expect("small")
}

fn maybe_day(value: &Value) -> Known<Days> {
    if value.is_null() { Known::NotKnown(WhyNotKnown::NotReached) } else { Known::Known(Days::new(whole(value))) }
}

/// 1e-10 of the reference, as promised for closed forms.
const CLOSED_FORM: Within = Within::Relative(1e-10);

fn agrees_with_curve(observations: &Observations, expected: &Value) {
    for (variance, name, place) in [(Variance::ModelBased, "model_based", 4), (Variance::ClusterRobust, "cluster_robust", 5)]
    {
        let curve = survival_curve(observations, variance);
        let steps = list(&expected["steps"]);
        assert_eq!(curve.steps().len(), steps.len());
        for (step, expected) in curve.steps().iter().zip(steps) {
            assert_eq!(step.day.count(), whole(&expected[0]));
            assert_eq!((Some(step.at_risk), Some(step.failed)), (expected[1].as_u64(), expected[2].as_u64()));
            close(step.survival.value(), number(&expected[3]), CLOSED_FORM);
            match step.ln_survival_variance {
                Known::Known(value) => close(value, number(&expected[place]), CLOSED_FORM),
                Known::NotKnown(why) => assert!(expected[place].is_null() && why == WhyNotKnown::AllFailed, "{why:?}"),
            }
        }
        for (step, expected) in curve.steps().iter().zip(list(&expected[format!("limits_{name}")])) {
            for (method, method_name) in METHODS {
                let interval = curve.interval_at(step.day, method, ConfidenceLevel::USUAL);
                let interval = interval.known().expect("defined");
                close(interval.lower.value(), number(&expected[method_name][0]), CLOSED_FORM);
                close(interval.upper.value(), number(&expected[method_name][1]), CLOSED_FORM);
            }
        }
        for (method, method_name) in METHODS {
            let found = median(&curve, Inference { variance, method, level: ConfidenceLevel::USUAL });
            let expected = &expected["median"][format!("{method_name}_{name}")];
            assert_eq!(
                [found.value, found.lower, found.upper],
                [0, 1, 2].map(|i| maybe_day(&expected[i])),
                "{method_name} {name}"
            );
        }
        let mean = &expected["restricted_mean"];
        let inference = Inference { variance, ..Inference::default() };
        let found = restricted_mean(observations, Days::new(whole(&mean[0])), inference).known().expect("followed").days;
        close(found.value, number(&mean[1]), CLOSED_FORM);
        close(found.standard_error.expect("known"), number(&mean[place - 2]), CLOSED_FORM);
    }
}

#[test]
fn curves_and_tests_agree_with_an_independent_program_at_full_precision() {
    let file: Value = serde_json::from_str(include_str!("../reference/survival.json")).expect("well formed");
    let sets = list(&file["sets"]);
    assert_eq!(sets.len(), 8);
    for set in sets {
        let (mut observations, mut codes) = (Observations::default(), Vec::new());
        for row in list(&set["rows"]) {
            let ending = match whole(&row[2]) {
                0 => Ending::Failed,
                1 => Ending::Competing,
                _ => Ending::Censored,
            };
            let cluster = u32::try_from(whole(&row[3])).expect("from 0");
            observations.push(Days::new(whole(&row[0])), Days::new(whole(&row[1])), ending, cluster).expect("in order");
            codes.push(u16::try_from(whole(&row[4])).expect("from 0"));
        }
        agrees_with_curve(&observations, &set["pooled"]);
        let groups = list(&set["groups"]);
        let grouping = Grouping::new(codes, u16::try_from(groups.len()).expect("few")).expect("levels");
        for (part, expected) in observations.by_group(&grouping).iter().zip(groups) {
            agrees_with_curve(part, expected);
        }
        let expected = &set["log_rank"];
        for (variance, name) in [(Variance::ModelBased, "model_based"), (Variance::ClusterRobust, "cluster_robust")] {
            let test = log_rank(&observations, &grouping, variance);
            let test = test.known().expect("groups and failures");
            for (g, group) in test.groups.iter().enumerate() {
                assert_eq!(Some(group.observed), expected["observed"][g].as_u64());
                close(group.expected, number(&expected["expected"][g]), CLOSED_FORM);
            }
            let numbers = &expected[name];
            close(test.chi_square, number(&numbers[0]), CLOSED_FORM);
            assert_eq!(Some(u64::from(test.degrees_of_freedom)), numbers[1].as_u64());
            close(test.p_value, number(&numbers[2]), CLOSED_FORM);
            close(test.ln_p_value, number(&numbers[3]), CLOSED_FORM);
        }
    }
}

#[test]
fn a_survival_interval_needs_only_the_survival_and_its_spread() {
    // By hand: S = e⁻¹ and z·σ = ln 2 give S² and S^½ on ln(−ln S), S/2 and 2S on ln S.
    let survival = Fraction::new((-1.0_f64).exp());
    let sigma = 2.0_f64.ln() / 1.959_963_984_540_054;
    for (method, lower, upper) in [
        (SurvivalIntervalMethod::ComplementaryLogLog, (-2.0_f64).exp(), (-0.5_f64).exp()),
        (SurvivalIntervalMethod::Log, 0.5 * (-1.0_f64).exp(), 2.0 * (-1.0_f64).exp()),
    ] {
        let interval = *survival_interval(survival, sigma, method, ConfidenceLevel::USUAL).known().expect("inside");
        close(interval.lower.value(), lower, Within::Relative(1e-14));
        close(interval.upper.value(), upper, Within::Relative(1e-14));
    }
}
