//! Read errors to expect: a drive is either healthy (errors are rare) or sick (they come in
//! numbers), and what has been read so far says which is likelier. One error is enough to change
//! the plan; clean reading reassures only slowly.
//!
//! Also the printed specification for unrecoverable reads, kept only to explain why it is no
//! forecast: too dark for healthy drives (Gray and van Ingen 2005 moved 2 PB and met 5 errors
//! where 1 in 1e14 bits predicts 160), too bright for sick ones (errors cluster).

/// Read-error events per TB of a healthy drive (Gray and van Ingen 2005: 5 in 2 PB; derived).
pub const HEALTHY_PER_TB: f64 = 0.0025;
/// Read-error events per TB of a sick drive (engineering judgement).
pub const SICK_PER_TB: f64 = 10.0;
/// Share of drives with a latent sector error in 32 months, all drives (Bairavasundaram et al.,
/// SIGMETRICS 2007, table 1).
pub const PRIOR_ALL: f64 = 0.0345;
/// The same for nearline drives.
pub const PRIOR_NEARLINE: f64 = 0.085;
/// Share of drives that carry a strong signal, upper end (derived from Pinheiro et al., FAST 2007,
/// 3.5): what an unread drive may be.
pub const PRIOR_UNREAD: f64 = 0.17;
/// Share of drives with one error that have another within a month, larger value (Bairavasundaram
/// et al., SIGMETRICS 2007, 5.4.3).
pub const PRIOR_HISTORY: f64 = 0.62;

/// `(sick/healthy)^e * exp(-(sick - healthy) x)` for e events in x TB.
pub fn likelihood_ratio(events: u64, terabytes: f64) -> f64 {
    log_ratio(events, terabytes).exp()
}

fn log_ratio(events: u64, terabytes: f64) -> f64 {
    let read = if terabytes.is_finite() {
        terabytes.max(0.0)
    } else {
        0.0 // an unusable figure reassures nobody
    };
    events as f64 * (SICK_PER_TB / HEALTHY_PER_TB).ln() - (SICK_PER_TB - HEALTHY_PER_TB) * read
}

/// Chance that the drive is sick, after `events` in `terabytes` read.
pub fn sick(prior: f64, events: u64, terabytes: f64) -> f64 {
    let prior = prior.clamp(1e-12, 1.0 - 1e-12);
    let log_odds = (prior / (1.0 - prior)).ln() + log_ratio(events, terabytes);
    // Both forms of the logistic, so that neither end overflows.
    if log_odds >= 0.0 {
        1.0 / (1.0 + (-log_odds).exp())
    } else {
        let odds = log_odds.exp();
        odds / (1.0 + odds)
    }
}

/// Read-error events to expect in `terabytes` more.
pub fn events_expected(sick: f64, terabytes: f64) -> f64 {
    (sick * SICK_PER_TB + (1.0 - sick) * HEALTHY_PER_TB) * terabytes.max(0.0)
}

/// Chance of at least one event in `terabytes` more.
pub fn any_event(sick: f64, terabytes: f64) -> f64 {
    let x = terabytes.max(0.0);
    sick * -(-SICK_PER_TB * x).exp_m1() + (1.0 - sick) * -(-HEALTHY_PER_TB * x).exp_m1()
}

/// What a printed specification of one unrecoverable read per `1/per_bit` bits would say about
/// reading `bytes` without one. An explanation, never a forecast.
pub fn specification_clean(bytes: f64, per_bit: f64) -> f64 {
    (8.0 * bytes.max(0.0) * (-per_bit).ln_1p()).exp()
}

/// Upper 95 % bound on bad sectors in `rest_sectors` more after `clean_sectors` without one
/// (2.996/S for each sector); clustering makes even this optimistic for further events.
pub fn clean_bound(clean_sectors: f64, rest_sectors: f64) -> f64 {
    if clean_sectors > 0.0 {
        -(0.05f64.ln()) / clean_sectors * rest_sectors.max(0.0)
    } else {
        rest_sectors.max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Derived table: events in 0.05 TB, ratio, posterior for a prior of 0.0345. The ratio is
    /// recomputed here as a quotient of two Poisson probabilities.
    #[test]
    fn events_in_fifty_gigabytes() {
        for (e, ratio, posterior) in [
            (0u64, 0.606606, 0.021216),
            (1, 2426.426, 0.988598),
            (2, 9.7057e6, 0.999997),
        ] {
            let got = likelihood_ratio(e, 0.05);
            assert!((got / ratio - 1.0).abs() < 5e-6, "{e}: {got}");
            assert!((sick(PRIOR_ALL, e, 0.05) - posterior).abs() < 6e-7);
            let poisson = |rate: f64| {
                let mean = rate * 0.05;
                let factorial: f64 = (1..=e).map(|i| i as f64).product();
                (-mean).exp() * mean.powi(e as i32) / factorial
            };
            assert!((poisson(SICK_PER_TB) / poisson(HEALTHY_PER_TB) / got - 1.0).abs() < 1e-9);
        }
    }

    /// exp(-8 N u), for printed specifications of 1e-14, 1e-15 and 1e-16; derived.
    #[test]
    fn the_specification_table() {
        for (tb, a, b, c) in [
            (0.10, 0.992032, 0.999200, 0.999920),
            (0.25, 0.980199, 0.998002, 0.999800),
            (0.50, 0.960789, 0.996008, 0.999600),
            (1.00, 0.923116, 0.992032, 0.999200),
            (2.00, 0.852144, 0.984127, 0.998401),
            (4.00, 0.726149, 0.968507, 0.996805),
            (8.00, 0.527292, 0.938005, 0.993620),
            (12.50, 0.367879, 0.904837, 0.990050),
            (20.00, 0.201897, 0.852144, 0.984127),
        ] {
            for (u, want) in [(1e-14, a), (1e-15, b), (1e-16, c)] {
                let got = specification_clean(tb * 1e12, u);
                assert!((got - want).abs() < 6e-7, "{tb} {u}: {got}");
            }
        }
        // Gray and van Ingen 2005: the specification predicts 160 errors in 2 PB; five were met.
        assert!((1.6e16f64 * 1e-14 - 160.0).abs() < 1e-9);
        assert!((HEALTHY_PER_TB * 2000.0 - 5.0).abs() < 1e-9);
        // Derived: 0.5 TB verified 69 times.
        assert!((1.0 - specification_clean(69.0 * 0.5e12, 1e-14) - 0.937).abs() < 5e-4);
        assert!((1.0 - specification_clean(69.0 * 0.5e12, 1e-15) - 0.241).abs() < 5e-4);
    }

    #[test]
    fn clean_reading_bounds_slowly() {
        // Derived: 50 / 200 / 1,000 GB clean leave at most 48 / 12.0 / 2.4 in another 800 GB.
        for (gb, want) in [(50.0, 47.9), (200.0, 12.0), (1000.0, 2.4)] {
            let got = clean_bound(gb * 1e9 / 512.0, 800e9 / 512.0);
            assert!((got - want).abs() < 0.06, "{got}");
        }
        assert_eq!(clean_bound(0.0, 5.0), 5.0);
    }

    #[test]
    fn extremes_stay_chances() {
        for e in [0, 1, 1000, u64::MAX] {
            for x in [0.0, 1e-9, 1.0, 1e9, f64::NAN, f64::INFINITY] {
                let p = sick(PRIOR_ALL, e, x);
                assert!((0.0..=1.0).contains(&p), "{e} {x}: {p}");
            }
        }
        assert!(sick(PRIOR_ALL, 1, 1.0) > sick(PRIOR_ALL, 0, 1.0));
        assert!(sick(PRIOR_ALL, 0, 2.0) < sick(PRIOR_ALL, 0, 1.0));
    }
}
