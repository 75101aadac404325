//! Driving descriptors of a speed trace: pure functions over evenly spaced speeds.

use crate::integral::Sum;

/// Accelerations up to this do not count as positive in RPA and v·a, m/s²: the rule of real-driving emission
/// regulations (EU 2017/1151, annex IIIA, appendix 7a), whose central difference is used too.
pub const POSITIVE_ACCELERATION_M_S2: f64 = 0.1;

/// What a speed trace says about the way of driving.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Dynamics {
    /// Time covered, s.
    pub duration_s: f64,
    /// Distance by trapezoid, m.
    pub distance_m: f64,
    /// Distance over duration, m/s.
    pub speed_mean_m_s: Option<f64>,
    /// Largest speed, m/s.
    pub speed_max_m_s: Option<f64>,
    /// Relative positive acceleration, m/s².
    pub rpa_m_s2: Option<f64>,
    /// 95th percentile of speed times positive acceleration, m²/s³.
    pub va95_m2_s3: Option<f64>,
    /// Positive kinetic energy, m/s².
    pub pke_m_s2: Option<f64>,
}

/// Describes one or more stretches of evenly spaced speeds, m/s, `step_s` apart. Nothing is assumed between the
/// stretches.
///
/// # Formula
/// - distance `Σ (v_i + v_{i+1})/2 · Δt`
/// - acceleration `a_i = (v_{i+1} − v_{i−1}) / (2 Δt)` at the inner points of a stretch
/// - RPA `Σ v_i a_i Δt / distance` over the points with `a_i > 0.1 m/s²`
/// - v·a⁺\[95\]: 95th percentile of `v_i a_i` over the same points, linear interpolation
/// - PKE `Σ max(0, v_{i+1}² − v_i²) / distance`
///
/// ```
/// use tallywheel_analyze::trips::descriptors::dynamics;
/// let d = dynamics([[0.0, 10.0, 20.0].as_slice()], 1.0);
/// assert_eq!((d.distance_m, d.rpa_m_s2), (20.0, Some(5.0)));
/// ```
pub fn dynamics<'a>(stretches: impl IntoIterator<Item = &'a [f64]>, step_s: f64) -> Dynamics {
    let (mut distance, mut gathered, mut kinetic) = (Sum::default(), Sum::default(), Sum::default());
    let (mut steps, mut max, mut powers) = (0_usize, None, Vec::new());
    for v in stretches {
        for pair in v.windows(2) {
            distance.add((pair[0] + pair[1]) / 2.0 * step_s);
            kinetic.add((pair[1] * pair[1] - pair[0] * pair[0]).max(0.0));
        }
        for three in v.windows(3) {
            let a = (three[2] - three[0]) / (2.0 * step_s);
            if a > POSITIVE_ACCELERATION_M_S2 {
                gathered.add(three[1] * a * step_s);
                powers.push(three[1] * a);
            }
        }
        steps += v.len().saturating_sub(1);
        max = v.iter().copied().chain(max).reduce(f64::max);
    }
    let (duration_s, distance_m) = (steps as f64 * step_s, distance.value());
    let per_metre = |sum: Sum| (distance_m > 0.0).then(|| sum.value() / distance_m);
    Dynamics {
        duration_s,
        distance_m,
        speed_mean_m_s: (duration_s > 0.0).then(|| distance_m / duration_s),
        speed_max_m_s: max,
        rpa_m_s2: per_metre(gathered),
        va95_m2_s3: percentile(&mut powers, 0.95),
        pke_m_s2: per_metre(kinetic),
    }
}

/// Times the speed falls from above `moving_m_s` to it or below.
pub fn stops(speeds: &[f64], moving_m_s: f64) -> usize {
    speeds.windows(2).filter(|p| p[0] > moving_m_s && p[1] <= moving_m_s).count()
}

/// The value below which a share of the values lies, linearly interpolated between the two nearest of the sorted
/// values (position `share · (n − 1)`). `None` without values.
pub fn percentile(values: &mut [f64], share: f64) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let last = values.len().checked_sub(1)?;
    let at = share.clamp(0.0, 1.0) * last as f64;
    let below = at as usize;
    let above = (below + 1).min(last);
    Some(values[below] + (values[above] - values[below]) * (at - below as f64))
}

#[cfg(test)]
mod tests;
