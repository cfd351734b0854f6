//! Families of times to failure on the logarithmic scale: ln T = μ + xβ + σW, and what a row of each says about W.
//!
//! Definition.  W has survival S(z) = exp(−e^z) (smallest extreme value) in the Weibull family, and with σ = 1 in the exponential one;
//!              1/(1 + e^z) (logistic) in the log-logistic family; 1 − Φ(z) (normal) in the log-normal one.
//! Formula.     A failure says ln f(z), a censoring ln S(z), a failure before z ln(1 − S(z)), one within (z, z + δ] the logarithm of
//!              S(z) − S(z + δ), each with its first and second derivatives.
//!              Extreme value: that difference is S(z)·(1 − e^{−D}), D = e^z·(e^δ − 1). Logistic: F(z + δ)·S(z)·(1 − e^{−δ}). Normal:
//!              S(z)·(1 − e^{−D}) with D the difference of ln S, mirrored into the upper half; for narrow intervals the integral of φ
//!              by eight Gaussian points.
//! Source.      Kalbfleisch JD, Prentice RL. The Statistical Analysis of Failure Time Data, 1980, ch. 2–3; points and weights: Abramowitz
//!              M, Stegun IA. Handbook of Mathematical Functions, 1964, table 25.4 (both from memory).
//! Decided.     The width δ of an interval is an argument of its own, so that nothing cancels in a narrow one; derivatives in δ come
//!              multiplied by δ, which leaves them of the order of 1 however narrow it is. Differences in the far tails keep their
//!              digits, as logarithms.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::distribution::normal_quantile_upper;
use super::normal_hazard::{ln_normal_density, normal_tail};

/// Points and weights of Gauss's quadrature on −1..1, the positive half.
const GAUSS: [(f64, f64); 4] = [
    (0.183_434_642_495_649_8, 0.362_683_783_378_362),
    (0.525_532_409_916_329, 0.313_706_645_877_887_3),
    (0.796_666_477_413_626_7, 0.222_381_034_453_374_48),
    (0.960_289_856_497_536_2, 0.101_228_536_290_376_26),
];

/// A family of distributions of the time to failure.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LogTimeFamily {
    /// The hazard never changes.
    Exponential,
    /// The hazard rises or falls with a power of time.
    #[default]
    Weibull,
    /// The odds of having failed rise with a power of time; the hazard may rise and then fall.
    LogLogistic,
    /// The logarithm of time is normal; the hazard rises and then falls.
    LogNormal,
}

impl LogTimeFamily {
    /// Every family, for those that go through them all.
    pub const ALL: [Self; 4] = [Self::Exponential, Self::Weibull, Self::LogLogistic, Self::LogNormal];

    pub(super) fn law(self) -> ErrorLaw {
        match self {
            Self::Exponential | Self::Weibull => ErrorLaw::SmallestExtreme,
            Self::LogLogistic => ErrorLaw::Logistic,
            Self::LogNormal => ErrorLaw::Normal,
        }
    }
}

/// The distribution of W.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ErrorLaw {
    SmallestExtreme,
    Logistic,
    Normal,
}

/// A logarithm and its derivatives in z.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct AtPoint {
    pub(super) ln: f64,
    pub(super) first: f64,
    pub(super) second: f64,
}

/// A logarithm and its derivatives in z and in the width δ, those in δ times δ.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct OverInterval {
    pub(super) ln: f64,
    pub(super) z: f64,
    pub(super) width: f64,
    pub(super) z_z: f64,
    pub(super) z_width: f64,
    pub(super) width_width: f64,
}

/// F and S of the logistic law.
fn logistic(z: f64) -> (f64, f64) {
    let small = libm::exp(-z.abs());
    let (big, small) = (1.0 / (1.0 + small), small / (1.0 + small));
    if z < 0.0 { (small, big) } else { (big, small) }
}

/// ln(1 + e^z).
fn ln_one_plus_exp(z: f64) -> f64 {
    z.max(0.0) + libm::log1p(libm::exp(-z.abs()))
}

/// ln(1 − e^{−u}) for u above 0.
fn ln_one_minus_exp(u: f64) -> f64 {
    if u > 1.0 { libm::log1p(-libm::exp(-u)) } else { libm::log(-libm::expm1(-u)) }
}

/// u/(e^u − 1), and its derivative in ln u.
fn share_left(u: f64) -> (f64, f64) {
    if u <= 0.0 {
        return (1.0, 0.0);
    }
    let grown = libm::expm1(u);
    if !grown.is_finite() {
        return (0.0, 0.0);
    }
    let share = u / grown;
    (share, share * (1.0 - u - share))
}

impl ErrorLaw {
    /// ln f(z).
    pub(super) fn density(self, z: f64) -> AtPoint {
        match self {
            Self::SmallestExtreme => {
                let hazard = libm::exp(z);
                AtPoint { ln: z - hazard, first: 1.0 - hazard, second: -hazard }
            }
            Self::Logistic => {
                let (failed, left) = logistic(z);
                let ln = -z.abs() - 2.0 * libm::log1p(libm::exp(-z.abs()));
                AtPoint { ln, first: left - failed, second: -2.0 * failed * left }
            }
            Self::Normal => AtPoint { ln: ln_normal_density(z), first: -z, second: -1.0 },
        }
    }

    /// ln S(z).
    pub(super) fn survival(self, z: f64) -> AtPoint {
        match self {
            Self::SmallestExtreme => {
                let hazard = libm::exp(z);
                AtPoint { ln: -hazard, first: -hazard, second: -hazard }
            }
            Self::Logistic => {
                let (failed, left) = logistic(z);
                AtPoint { ln: -ln_one_plus_exp(z), first: -failed, second: -failed * left }
            }
            Self::Normal => {
                let tail = normal_tail(z);
                AtPoint { ln: tail.ln_survival, first: -tail.hazard, second: -tail.hazard * tail.excess }
            }
        }
    }

    /// ln F(z).
    pub(super) fn failure(self, z: f64) -> AtPoint {
        match self {
            Self::SmallestExtreme => {
                let hazard = libm::exp(z);
                let (first, second) = share_left(hazard);
                let ln = if z < -40.0 { z } else { ln_one_minus_exp(hazard) };
                AtPoint { ln, first, second }
            }
            Self::Logistic => {
                let (failed, left) = logistic(z);
                AtPoint { ln: -ln_one_plus_exp(-z), first: left, second: -failed * left }
            }
            Self::Normal => {
                let tail = normal_tail(-z);
                AtPoint { ln: tail.ln_survival, first: tail.hazard, second: -tail.hazard * tail.excess }
            }
        }
    }

    /// ln(S(z) − S(z + δ)) for δ above 0.
    pub(super) fn between(self, z: f64, width: f64) -> OverInterval {
        match self {
            Self::SmallestExtreme => extreme_between(z, width),
            Self::Logistic => logistic_between(z, width),
            Self::Normal => normal_between(z, width),
        }
    }

    /// The z with F(z) = p, for p between 0 and 1.
    pub(super) fn quantile(self, p: f64) -> f64 {
        match self {
            Self::SmallestExtreme => libm::log(-libm::log1p(-p)),
            Self::Logistic => libm::log(p) - libm::log1p(-p),
            Self::Normal => -normal_quantile_upper(p),
        }
    }
}

fn extreme_between(z: f64, width: f64) -> OverInterval {
    let hazard = libm::exp(z);
    let growth = libm::expm1(width);
    let (between, ln_growth) = if width > 30.0 {
        (libm::exp(z + width) - hazard, width + libm::log1p(-libm::exp(-width)))
    } else {
        (hazard * growth, libm::log(growth))
    };
    let (share, slope) = share_left(between);
    let ln_part = if between < 1e-12 { z + ln_growth - 0.5 * between } else { ln_one_minus_exp(between) };
    // δ·d ln D/dδ = δ·(1 + 1/(e^δ − 1)).
    let pace = width + width / growth;
    OverInterval {
        ln: ln_part - hazard,
        z: share - hazard,
        width: share * pace,
        z_z: slope - hazard,
        z_width: slope * pace,
        width_width: slope * pace * pace - share * pace * (width / growth),
    }
}

fn logistic_between(z: f64, width: f64) -> OverInterval {
    let (failed_low, left_low) = logistic(z);
    let (failed_high, left_high) = logistic(z + width);
    let (spread_low, spread_high) = (failed_low * left_low, failed_high * left_high);
    let root = 0.5 * width / libm::sinh(0.5 * width);
    OverInterval {
        ln: ln_one_minus_exp(width) - ln_one_plus_exp(z) - ln_one_plus_exp(-(z + width)),
        z: left_high - failed_low,
        width: width * left_high + width / libm::expm1(width),
        z_z: -spread_low - spread_high,
        z_width: -width * spread_high,
        width_width: -width * width * spread_high - root * root,
    }
}

/// An interval of the normal law in the upper half: the logarithm of its part, δ·φ at either end over the part, and the derivative in z.
struct NormalPart {
    ln: f64,
    low: f64,
    high: f64,
    first: f64,
}

fn normal_between(z: f64, width: f64) -> OverInterval {
    let (high, centre) = (z + width, z + 0.5 * width);
    let part = if centre < 0.0 {
        let mirrored = normal_in_upper_half(-high, width);
        NormalPart { low: mirrored.high, high: mirrored.low, first: -mirrored.first, ln: mirrored.ln }
    } else {
        normal_in_upper_half(z, width)
    };
    // Two forms of the same; the end nearer to 0 loses least.
    let second = if centre < 0.0 {
        -high * part.first - part.low - part.first * part.first
    } else {
        -z * part.first - part.high - part.first * part.first
    };
    OverInterval {
        ln: part.ln,
        z: part.first,
        width: part.high,
        z_z: second,
        z_width: -part.high * (high + part.first),
        width_width: -width * high * part.high - part.high * part.high,
    }
}

/// For an interval whose middle is at or above 0.
fn normal_in_upper_half(z: f64, width: f64) -> NormalPart {
    let (half, centre) = (0.5 * width, z + 0.5 * width);
    if width <= 1.0 && centre * width <= 2.0 {
        // All in units of φ at the centre. Each point stands for itself and its mirror image: e^{ct} + e^{−ct} = 2·cosh(ct).
        let mut sum = 0.0;
        for (point, weight) in GAUSS {
            let t = half * point;
            sum += weight * libm::cosh(centre * t) * libm::exp(-0.5 * t * t);
        }
        let at_ends = libm::exp(-0.5 * half * half) / sum;
        return NormalPart {
            ln: ln_normal_density(centre) + libm::log(width * sum),
            low: at_ends * libm::exp(centre * half),
            high: at_ends * libm::exp(-centre * half),
            first: -2.0 * at_ends * libm::sinh(centre * half) / width,
        };
    }
    let (low, high) = (normal_tail(z), normal_tail(z + width));
    let between = low.ln_survival - high.ln_survival;
    let low_density = low.hazard / -libm::expm1(-between);
    NormalPart {
        ln: low.ln_survival + ln_one_minus_exp(between),
        low: width * low_density,
        high: width * low_density * libm::exp(-centre * width),
        first: low_density * libm::expm1(-centre * width),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LAWS: [ErrorLaw; 3] = [ErrorLaw::SmallestExtreme, ErrorLaw::Logistic, ErrorLaw::Normal];

    fn near(value: f64, reference: f64, within: f64, what: &str) {
        assert!((value - reference).abs() <= within * reference.abs().max(1.0), "{what}: {value:e} against {reference:e}");
    }

    #[test]
    fn derivatives_agree_with_differences() {
        let h = 1e-5;
        for law in LAWS {
            for z in [-9.0, -3.3, -0.4, 0.0, 0.7, 2.9, 4.6] {
                for (of, name) in [
                    (ErrorLaw::density as fn(ErrorLaw, f64) -> AtPoint, "f"),
                    (ErrorLaw::survival, "S"),
                    (ErrorLaw::failure, "F"),
                ] {
                    let what = format!("{law:?} {name} at {z}");
                    let (low, at, high) = (of(law, z - h), of(law, z), of(law, z + h));
                    near(at.first, (high.ln - low.ln) / (2.0 * h), 1e-7, &what);
                    near(at.second, (high.first - low.first) / (2.0 * h), 1e-7, &what);
                }
                for width in [0.01, 0.8, 1.5, 6.0, 35.0] {
                    let what = format!("{law:?} from {z} over {width}");
                    let (low, at, high) = (law.between(z - h, width), law.between(z, width), law.between(z + h, width));
                    near(at.z, (high.ln - low.ln) / (2.0 * h), 1e-6, &what);
                    near(at.z_z, (high.z - low.z) / (2.0 * h), 1e-6, &what);
                    let step = h * width;
                    let (low, high) = (law.between(z, width - step), law.between(z, width + step));
                    near(at.width, (high.ln - low.ln) / (2.0 * h), 1e-6, &what);
                    near(at.z_width, (high.z - low.z) / (2.0 * h), 1e-6, &what);
                    // The derivative of δ·G' in ln δ is δ·G' + δ²·G''.
                    near(at.width_width + at.width, (high.width - low.width) / (2.0 * h), 1e-6, &what);
                }
            }
        }
    }

    #[test]
    fn far_tails_stay_finite() {
        for law in LAWS {
            for z in [-900.0, -60.0, 60.0, 600.0] {
                for width in [1e-14, 1e-3, 1.0, 50.0, 2000.0] {
                    let at = law.between(z, width);
                    let all = [at.ln, at.z, at.width, at.z_z, at.z_width, at.width_width];
                    assert!(all.iter().all(|part| part.is_finite()), "{law:?} from {z} over {width}: {at:?}");
                }
                let (failure, survival) = (law.failure(z), law.survival(z));
                assert!(failure.ln.is_finite() && failure.second.is_finite(), "{law:?} at {z}: {failure:?}");
                assert!(survival.ln.is_finite() && survival.second.is_finite(), "{law:?} at {z}: {survival:?}");
            }
        }
    }

    #[test]
    fn quantiles_go_back_to_their_probability() {
        for law in LAWS {
            for p in [1e-10, 0.01, 0.5, 0.632, 0.999] {
                near(libm::exp(law.failure(law.quantile(p)).ln) / p, 1.0, 1e-12, &format!("{law:?} {p}"));
            }
        }
    }

    // 80-digit and finer values computed with mpmath 1.3.0 from the definition, S(z) − S(z + δ) and its derivatives.
    #[test]
    fn intervals_wide_narrow_and_far_out_agree_with_many_digit_values() {
        for (law, z, width, values) in [
            (
                ErrorLaw::SmallestExtreme,
                -20.0,
                1e-09,
                [
                    -40.723265838507565,
                    0.9999999979388464,
                    1.0000000005,
                    -2.0611536234691348e-09,
                    -1.0305768122498558e-18,
                    -1.0,
                ],
            ),
            (
                ErrorLaw::SmallestExtreme,
                -3.0,
                0.25,
                [
                    -4.31554068249628,
                    0.9431591986590226,
                    1.1222307664717204,
                    -0.056824138005736824,
                    -0.007953316625149382,
                    -0.9967796547680001,
                ],
            ),
            (
                ErrorLaw::SmallestExtreme,
                -1.25,
                2.5,
                [
                    -0.32795829485449673,
                    -0.1509033381859967,
                    0.36931921384579497,
                    -0.6037362217141943,
                    -0.8640000010306609,
                    -2.435725439856224,
                ],
            ),
            (
                ErrorLaw::SmallestExtreme,
                0.5,
                0.0625,
                [
                    -3.94259285912359,
                    -0.7009459089233495,
                    0.977701842373771,
                    -1.700004208946136,
                    -0.052902222644263225,
                    -1.0020395381562524,
                ],
            ),
            (
                ErrorLaw::SmallestExtreme,
                2.5,
                0.75,
                [
                    -12.182495191504522,
                    -12.182477212142086,
                    2.3807097721831018e-05,
                    -12.182705124265947,
                    -0.0003001566194825773,
                    -0.00044264010050241954,
                ],
            ),
            (
                ErrorLaw::SmallestExtreme,
                2.5,
                1.0,
                [
                    -12.182493961514307,
                    -12.182493943730323,
                    2.685112822884656e-08,
                    -12.182494299028564,
                    -5.352224116399592e-07,
                    -8.623361193911918e-07,
                ],
            ),
            (
                ErrorLaw::SmallestExtreme,
                4.0,
                1e-06,
                [
                    -64.41368739007294,
                    -53.598177331984495,
                    0.9999732011461812,
                    -54.59817733173608,
                    -2.729860548858442e-05,
                    -0.9999999997788018,
                ],
            ),
            (
                ErrorLaw::SmallestExtreme,
                6.0,
                0.125,
                [
                    -403.4287934927351,
                    -403.4287934927351,
                    2.681860387177986e-22,
                    -403.4287934927351,
                    -1.4137673702137316e-20,
                    -1.5291455466706846e-20,
                ],
            ),
            (
                ErrorLaw::SmallestExtreme,
                6.0,
                3.0,
                [-403.4287934927351, -403.4287934927351, 0.0, -403.4287934927351, -0.0, -0.0],
            ),
            (
                ErrorLaw::SmallestExtreme,
                -40.0,
                30.0,
                [
                    -10.000022699879093,
                    0.9999773002068816,
                    29.999319006209255,
                    -2.2699621355640833e-05,
                    -0.0006809886406691613,
                    -0.020429659304293444,
                ],
            ),
            (
                ErrorLaw::SmallestExtreme,
                -12.0,
                1.0,
                [
                    -11.45868656833901,
                    0.9999885770527166,
                    1.5819683560336253,
                    -1.1422937995026586e-05,
                    -8.350821007120668e-06,
                    -0.9206819450202479,
                ],
            ),
            (
                ErrorLaw::Logistic,
                -20.0,
                1e-09,
                [
                    -40.72326584056872,
                    0.9999999958776927,
                    1.0000000005,
                    -4.122307229944852e-09,
                    -2.0611536160030032e-18,
                    -1.0,
                ],
            ),
            (
                ErrorLaw::Logistic,
                -3.0,
                0.25,
                [
                    -4.369246490022973,
                    0.8924874766484256,
                    1.1151812535034478,
                    -0.10165290437578618,
                    -0.014119061161218513,
                    -0.9983376677195954,
                ],
            ),
            (
                ErrorLaw::Logistic,
                -1.25,
                2.5,
                [-0.589508646432784, 0.0, 0.7803140716479021, -0.346209573984994, -0.43276196748124257, -1.6907949691148338],
            ),
            (
                ErrorLaw::Logistic,
                0.5,
                0.0625,
                [
                    -4.228690232896208,
                    -0.2594901256822377,
                    0.9917610749875176,
                    -0.4662262735656695,
                    -0.014451410085254687,
                    -1.000577755865429,
                ],
            ),
            (
                ErrorLaw::Logistic,
                2.5,
                0.75,
                [
                    -3.2562845710206867,
                    -0.886814932634627,
                    0.6994365163098547,
                    -0.10603730737043629,
                    -0.026950193118996095,
                    -0.9746271455070543,
                ],
            ),
            (
                ErrorLaw::Logistic,
                2.5,
                1.0,
                [
                    -3.067315297952252,
                    -0.8948295892274001,
                    0.6112889376206827,
                    -0.09855674042484372,
                    -0.02845302387973556,
                    -0.9491266180875279,
                ],
            ),
            (
                ErrorLaw::Logistic,
                4.0,
                1e-06,
                [
                    -17.85181089581365,
                    -0.9640275977385145,
                    0.9999995179862756,
                    -0.0353253953992542,
                    -1.7662689185963083e-08,
                    -0.9999999999999343,
                ],
            ),
            (
                ErrorLaw::Logistic,
                9.0,
                0.125,
                [
                    -11.14152288979265,
                    -0.9997677085139872,
                    0.9388153564889834,
                    -0.00023226440125439002,
                    -1.3610631436192638e-05,
                    -0.9987006346178081,
                ],
            ),
            (
                ErrorLaw::Logistic,
                12.0,
                3.0,
                [
                    -12.051075631038453,
                    -0.9999935499231709,
                    0.15718800718044862,
                    -6.450038984682627e-06,
                    -9.177064000483568e-07,
                    -0.496271802637738,
                ],
            ),
            (
                ErrorLaw::Logistic,
                -40.0,
                30.0,
                [
                    -10.00004539889931,
                    0.9999546021312976,
                    29.998638063941733,
                    -4.539580773595592e-05,
                    -0.00136187423207855,
                    -0.040856227046575114,
                ],
            ),
            (
                ErrorLaw::Logistic,
                -12.0,
                1.0,
                [
                    -11.458697991141879,
                    0.9999771544035497,
                    1.5819600054474783,
                    -2.2845279761936608e-05,
                    -1.6701142910603434e-05,
                    -0.9206902953507029,
                ],
            ),
            (
                ErrorLaw::Normal,
                -20.0,
                1e-09,
                [-221.64220436015108, 19.9999999995, 1.00000001, -1.0, -5.000000033333334e-10, -1.0],
            ),
            (
                ErrorLaw::Normal,
                -3.0,
                0.25,
                [
                    -6.419257964868681,
                    2.8601838237042267,
                    1.3948335240369623,
                    -0.9949335583036131,
                    -0.15368809110923387,
                    -0.9866125120019597,
                ],
            ),
            (
                ErrorLaw::Normal,
                -1.25,
                2.5,
                [-0.23736868463859556, 0.0, 0.5789558151372818, -0.5789558151372818, -0.7236947689216022, -2.14442675818528],
            ),
            (
                ErrorLaw::Normal,
                0.5,
                0.0625,
                [
                    -3.8327573576048897,
                    -0.531077092749781,
                    0.9831702074175743,
                    -0.9996745394862433,
                    -0.03089406623886104,
                    -1.0011882343580403,
                ],
            ),
            (
                ErrorLaw::Normal,
                2.5,
                0.75,
                [
                    -5.179176979907596,
                    -2.7516851168335754,
                    0.27017277269838214,
                    -0.962730962817851,
                    -0.1346311136619433,
                    -0.7315394605598381,
                ],
            ),
            (
                ErrorLaw::Normal,
                2.5,
                1.0,
                [
                    -5.119830444788221,
                    -2.786601437728506,
                    0.14600592317332028,
                    -0.9446499016026318,
                    -0.10416041567496889,
                    -0.5323384607083145,
                ],
            ),
            (
                ErrorLaw::Normal,
                4.0,
                1e-06,
                [
                    -22.734451091168445,
                    -4.000000499999667,
                    0.999998000001,
                    -0.9999999999999166,
                    -4.999993333332084e-07,
                    -0.999999999999,
                ],
            ),
            (
                ErrorLaw::Normal,
                9.0,
                0.125,
                [
                    -44.01060217168915,
                    -9.05095056306688,
                    0.537626927218586,
                    -0.998777954697342,
                    -0.039810971240619546,
                    -0.9022734267291984,
                ],
            ),
            (
                ErrorLaw::Normal,
                12.0,
                3.0,
                [
                    -75.4106730015688,
                    -12.082214175254284,
                    9.339879381125869e-17,
                    -0.9933292736641541,
                    -2.725176766308385e-16,
                    -4.202945721506641e-15,
                ],
            ),
            (
                ErrorLaw::Normal,
                -40.0,
                30.0,
                [
                    -53.23128515051247,
                    10.098093233962512,
                    302.94279701887535,
                    -0.9905546221743438,
                    -29.716638665230313,
                    -891.4991599569094,
                ],
            ),
            (
                ErrorLaw::Normal,
                -12.0,
                1.0,
                [
                    -63.82494339220965,
                    11.089455799303224,
                    11.089568137666427,
                    -0.9921284707276505,
                    -0.9920261816825203,
                    -0.9932719656157334,
                ],
            ),
        ] {
            let at = law.between(z, width);
            let found = [at.ln, at.z, at.width, at.z_z, at.z_width, at.width_width];
            for (found, value) in found.iter().zip(values) {
                near(*found, value, 1e-12, &format!("{law:?} from {z} over {width}"));
            }
        }
    }
}
