//! The hazard of losing a drive: the background rate, the hazard after a first error (largest at
//! its beginning), and the regime of a drive that is getting worse while it is read.
//!
//! The curve `S(t) = exp(-H60 (t/60)^k)` is fixed by what Pinheiro, Weber and Barroso (FAST 2007,
//! 3.5) print for day 60 (relative risks) and day 240 (survival). Everything below about ten days
//! is an extrapolation, which is why an onset "just now" stands in the high column only.

use crate::drive::evidence::EvidenceMedium;

/// Days at which the published relative risks hold.
pub const RISK_DAYS: f64 = 60.0;

/// Yearly loss rate of a drive without a strong signal: low, mid, high, and its source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Background {
    /// Which class of drives, in words.
    pub class: &'static str,
    /// Yearly rate, low / mid / high.
    pub afr: [f64; 3],
    /// The rate that the relative risks were calibrated against.
    pub calibration: f64,
    /// Where the rates come from.
    pub source: &'static str,
}

const DISK_CALIBRATION: f64 = 0.025;
const SOLID_CALIBRATION: f64 = 0.0098;
const CARD_CALIBRATION: f64 = 0.02;

const DISK_ANY_AGE: Background = Background {
    class: "disk, age not known or 1 to 3 years",
    afr: [0.013, 0.025, 0.086],
    calibration: DISK_CALIBRATION,
    source: "a public cloud operator's lifetime rate; calibration of the curve; Pinheiro et al., FAST 2007, 3.1 (three-year group)",
};
const DISK_FIRST_YEAR: Background = Background {
    class: "disk in its first year",
    afr: [0.013, 0.017, 0.051],
    calibration: DISK_CALIBRATION,
    source: "a public cloud operator; Pinheiro et al., FAST 2007, 3.1",
};
const DISK_OLD: Background = Background {
    class: "disk of 3 years or more",
    afr: [0.014, 0.040, 0.118],
    calibration: DISK_CALIBRATION,
    source: "a public cloud operator's rates by age; mid is engineering judgement",
};
const SOLID: Background = Background {
    class: "solid-state drive",
    afr: [0.0022, 0.0098, 0.027],
    calibration: SOLID_CALIBRATION,
    source: "Maneas et al., FAST 2020; a public cloud operator's boot drives; Schroeder et al., FAST 2016, table 5",
};
const CARD: Background = Background {
    class: "eMMC or card",
    afr: [0.005, 0.02, 0.06],
    calibration: CARD_CALIBRATION,
    source: "engineering judgement; no field study found",
};
const UNKNOWN: Background = Background {
    class: "kind of drive not known: the lowest low and the highest mid and high of all kinds",
    afr: [0.0022, 0.040, 0.118],
    calibration: DISK_CALIBRATION,
    source: "the widest range over all classes; engineering judgement",
};

/// The background class of a drive.
///
/// `age_years` is an age known from a date; `powered_years` a lower bound from powered hours.
/// Few powered hours prove no youth, so only a known date gives the first-year class.
pub fn background(
    medium: Option<EvidenceMedium>,
    age_years: Option<f64>,
    powered_years: Option<f64>,
) -> Background {
    match medium {
        Some(EvidenceMedium::Disk) => {
            let at_least = age_years.unwrap_or(0.0).max(powered_years.unwrap_or(0.0));
            if at_least >= 3.0 {
                DISK_OLD
            } else if age_years.is_some_and(|years| years < 1.0) && at_least < 1.0 {
                DISK_FIRST_YEAR
            } else {
                DISK_ANY_AGE
            }
        }
        Some(EvidenceMedium::Ssd | EvidenceMedium::Nvme) => SOLID,
        Some(EvidenceMedium::Card) => CARD,
        None => UNKNOWN,
    }
}

/// `b60`: chance that a signal-free drive is lost within 60 days, from the yearly rate `afr`.
pub fn sixty_day_chance(afr: f64) -> f64 {
    -(RISK_DAYS / 365.0 * (-afr).ln_1p()).exp_m1()
}

/// `H60`: cumulative hazard by day 60 for relative risk `m` over the 60-day chance `b60`; 0 for m = 1.
pub fn hazard_60(m: f64, b60: f64) -> f64 {
    if m <= 1.0 {
        return 0.0;
    }
    -(-(m * b60).min(0.95)).ln_1p()
}

/// `H(t) = H60 (t/60)^k`, t in days since the first error.
pub fn hazard(h60: f64, k: f64, days: f64) -> f64 {
    if days <= 0.0 {
        0.0
    } else {
        h60 * (days / RISK_DAYS).powf(k)
    }
}

/// `H(tau + T) - H(tau)`, without losing digits when T is short against tau.
pub fn hazard_between(h60: f64, k: f64, tau_days: f64, copy_days: f64) -> f64 {
    if copy_days <= 0.0 {
        0.0
    } else if tau_days <= 0.0 {
        hazard(h60, k, copy_days)
    } else {
        hazard(h60, k, tau_days) * (k * (copy_days / tau_days).ln_1p()).exp_m1()
    }
}

/// `lambda0 = -ln(1 - AFR0)`, per year.
pub fn yearly_hazard(afr: f64) -> f64 {
    -(-afr.clamp(0.0, 0.999)).ln_1p()
}

/// `P = 1 - exp(-Lambda)`.
pub fn chance(lambda: f64) -> f64 {
    -(-lambda).exp_m1()
}

/// Chance of losing a worsening drive within `hours`: `p_f (1 - 2^(-hours/half_life))`.
///
/// Ma et al., FAST 2015, 3.4: half of the drives past 200 replaced sectors that will soon fail do
/// so within two days.
pub fn worsening(p_fail: f64, half_life_hours: f64, hours: f64) -> f64 {
    p_fail * -(-std::f64::consts::LN_2 * hours.max(0.0) / half_life_hours).exp_m1()
}

/// Share of worsening drives that fail soon, low / mid / high (engineering judgement between 50 %
/// past 40 replaced sectors and 95 % at 500 to 600; Ma et al., FAST 2015).
pub const WORSENING_SHARE: [f64; 3] = [0.5, 0.85, 0.95];

/// Hours in which half of those fail, low / mid / high; the high column follows Lu et al., FAST
/// 2020 (counts often move only hours before), the figure itself is engineering judgement.
pub const WORSENING_HALF_LIFE: [f64; 3] = [48.0, 48.0, 6.0];

#[cfg(test)]
mod tests {
    use super::*;

    fn near(got: f64, want: f64, relative: f64) {
        assert!(
            (got - want).abs() <= relative * want.abs(),
            "got {got}, expected {want}"
        );
    }

    #[test]
    fn calibration_chances() {
        // Derived from the yearly rates; recomputed here as the 60/365th power.
        for (afr, want) in [
            (0.025, 0.0041531830),
            (0.0098, 0.0016175948),
            (0.02, 0.0033154846),
        ] {
            near(sixty_day_chance(afr), want, 1e-7);
            near(
                sixty_day_chance(afr),
                1.0 - (1.0f64 - afr).powf(60.0 / 365.0),
                1e-9,
            );
        }
    }

    /// Pinheiro et al., FAST 2007, 3.5: relative risks 39, 21, 16, 14 within 60 days; 8-month
    /// survival 70 % after a scan error and 85 % after a first reallocation. The other columns
    /// are the fitted curve, derived.
    #[test]
    fn the_curve_meets_the_published_survival() {
        // m, k, H60, S(1), S(10), S(30), S(60), S(240), late hazard over base
        let table = [
            (
                39.0, 0.5, 0.17671, 0.97745, 0.9304, 0.8825, 0.8380, 0.7023, 8.6,
            ),
            (
                21.0, 0.7, 0.09126, 0.99482, 0.9743, 0.9454, 0.9128, 0.7860, 8.9,
            ),
            (
                16.0, 0.7, 0.06876, 0.99609, 0.9806, 0.9586, 0.9335, 0.8340, 6.7,
            ),
            (
                14.0, 0.7, 0.05990, 0.99660, 0.9831, 0.9638, 0.9419, 0.8538, 5.9,
            ),
        ];
        let b60 = sixty_day_chance(0.025);
        for (m, k, h60, s1, s10, s30, s60, s240, late) in table {
            let h = hazard_60(m, b60);
            assert!((h - h60).abs() < 6e-6, "H60 for {m}: {h}");
            for (days, want, step) in [
                (1.0, s1, 5e-6),
                (10.0, s10, 5e-5),
                (30.0, s30, 5e-5),
                (60.0, s60, 5e-5),
                (240.0, s240, 5e-5),
            ] {
                let s = (-hazard(h, k, days)).exp();
                assert!((s - want).abs() <= step * 1.02, "S({days}) for {m}: {s}");
            }
            // Yearly hazard at day 365 against the background's (published ratios: about 10; 3 to 6).
            let rate = h * k / 60.0 * (365.0f64 / 60.0).powf(k - 1.0) * 365.0;
            let ratio = rate / yearly_hazard(0.025);
            assert!((ratio - late).abs() < 0.06, "late ratio for {m}: {ratio}");
        }
        // The two published survivals themselves.
        assert!(((-hazard(hazard_60(39.0, b60), 0.5, 240.0)).exp() - 0.70).abs() < 0.005);
        assert!(((-hazard(hazard_60(14.0, b60), 0.7, 240.0)).exp() - 0.85).abs() < 0.005);
    }

    #[test]
    fn other_background_rates_need_other_shapes() {
        // Derived: the k that joins 39x at 60 days to 70 % at 240 days.
        for (afr, want) in [(0.017, 0.81), (0.020, 0.68), (0.030, 0.36), (0.040, 0.12)] {
            let h60 = hazard_60(39.0, sixty_day_chance(afr));
            let k = (-(0.70f64.ln()) / h60).ln() / 4.0f64.ln();
            assert!((k - want).abs() < 0.006, "{afr}: {k}");
        }
    }

    #[test]
    fn ceilings_of_the_survival_curves_hold() {
        let b60 = sixty_day_chance(0.025);
        near(hazard(hazard_60(39.0, b60), 0.5, 240.0), 0.3534, 2e-4);
        near(hazard(hazard_60(60.0, b60), 0.35, 240.0), 0.4656, 2e-4);
        assert!(hazard(hazard_60(60.0, b60), 0.35, 240.0) < 0.5108);
    }

    #[test]
    fn spreading_the_risk_evenly_would_hide_the_beginning() {
        // Derived: m = 39, AFR0 2.5 %, 8 h, at onset 0, 1, 30, 240 days.
        let h60 = hazard_60(39.0, sixty_day_chance(0.025));
        let days = 8.0 / 24.0;
        let base = yearly_hazard(0.025) * days / 365.0;
        for (tau, want) in [
            (0.0, 0.01311),
            (1.0, 0.00355),
            (30.0, 0.00072),
            (240.0, 0.00027),
        ] {
            let p = chance(hazard_between(h60, 0.5, tau, days) + base);
            assert!((p - want).abs() < 6e-6, "{tau}: {p}");
        }
    }

    /// Derived vectors for single signals; printed to six or seven digits.
    #[test]
    fn single_signal_vectors() {
        let b60 = sixty_day_chance(0.025);
        let flag = hazard_60(35.0, b60);
        near(flag, 0.1570765966, 1e-6);
        near(
            hazard_between(flag, 1.0, 30.0, 8.0 / 24.0),
            8.726478e-4,
            1e-6,
        );
        let base = yearly_hazard(0.025);
        near(
            chance(8.726478e-4 + base * 8.0 / 24.0 / 365.0),
            0.000895368,
            1e-6,
        );
        let scan = hazard_60(39.0, b60);
        for (hours, want) in [
            (1.0, 0.00464867),
            (8.0, 0.01310737),
            (24.0, 0.02262224),
            (240.0, 0.07024456),
        ] {
            let days = hours / 24.0;
            near(
                chance(hazard_between(scan, 0.5, 0.0, days) + base * days / 365.0),
                want,
                1e-6,
            );
        }
        let solid = sixty_day_chance(0.0098);
        let days = 0.5 / 24.0;
        for (m, k, tau, afr, f, want) in [
            (2.0, 0.7, 240.0, 0.0022, 1.0, 6.4533e-7),
            (5.0, 0.7, 30.0, 0.0098, 2.0, 5.9838e-6),
            (15.0, 0.5, 0.0, 0.027, 5.0, 2.2937e-3),
        ] {
            let lambda = f
                * (hazard_between(hazard_60(m, solid), k, tau, days)
                    + yearly_hazard(afr) * days / 365.0);
            near(chance(lambda), want, 1e-5); // five digits are printed
        }
    }

    #[test]
    fn worsening_vectors() {
        // Derived: 3.611111 h with a half-life of 48 h.
        let hours = 3.611111;
        for (p, want) in [(0.5, 0.02541), (0.85, 0.04319), (0.95, 0.04827)] {
            assert!((worsening(p, 48.0, hours) - want).abs() < 6e-6);
        }
        // Ma et al., FAST 2015: half within two days.
        near(worsening(1.0, 48.0, 48.0), 0.5, 1e-12);
        assert_eq!(worsening(0.5, 48.0, 0.0), 0.0);
    }

    #[test]
    fn short_copies_after_long_onset_keep_their_digits() {
        let h60 = hazard_60(39.0, sixty_day_chance(0.025));
        let exact = hazard(h60, 0.5, 240.0) * 0.5 * (1e-9 / 240.0);
        near(hazard_between(h60, 0.5, 240.0, 1e-9), exact, 1e-9);
    }

    #[test]
    fn few_powered_hours_prove_no_youth() {
        let disk = Some(EvidenceMedium::Disk);
        assert_eq!(background(disk, None, Some(0.1)), DISK_ANY_AGE);
        assert_eq!(background(disk, Some(0.5), Some(0.1)), DISK_FIRST_YEAR);
        assert_eq!(background(disk, Some(0.5), Some(3.5)), DISK_OLD);
        assert_eq!(background(disk, None, None), DISK_ANY_AGE);
        assert_eq!(background(None, Some(0.5), None), UNKNOWN);
    }
}
