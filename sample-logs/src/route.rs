//! The routes of the fictional Skerry Isles: where a van may go how fast, where it stops, how high it is.
//!
//! A route is measured along itself in metres. Speed limits and stops say what the driver aims at; shape and
//! climb say where on the island that is.

mod island;

pub use island::{CAUSEWAY, HARBOUR_HOP, HARBOUR_LOOP, RIDGE_ROAD};

use std::f64::consts::TAU;

/// Metres of arc per degree of latitude (mean of the WGS 84 ellipsoid near 59° N, common practice).
pub(crate) const METRES_PER_DEGREE: f64 = 111_400.0;
/// Spacing of the points that a path is drawn with, m.
const SPACING_M: f64 = 10.0;

/// A wave of height or heading along the route.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wave {
    /// Periods along the route.
    pub periods: f64,
    /// Height in m, or heading in rad.
    pub amplitude: f64,
    /// Phase, rad.
    pub phase: f64,
}

/// How the route lies on the island.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// A ring.
    Ring,
    /// Out to a turning point and back the same way.
    OutAndBack,
}

/// A route.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Route {
    /// Name as on a run sheet.
    pub name: &'static str,
    /// Length, m; also the last stop.
    pub length_m: f64,
    /// Speed that traffic allows, km/h, up to a distance in m.
    pub limits: &'static [(f64, f64)],
    /// Stops before the last, m.
    pub stops: &'static [f64],
    /// Mean time at a stop, s.
    pub dwell_s: f64,
    /// Height profile. Whole periods, so that a ring closes.
    pub climb: &'static [Wave],
    /// Bends: heading waves, with periods that are multiples of three on a ring, which closes it exactly.
    pub bends: &'static [Wave],
    /// Shape on the island.
    pub shape: Shape,
}

impl Route {
    /// Speed that traffic allows at a distance, m/s.
    pub fn limit_m_s(&self, at_m: f64) -> f64 {
        let kmh = self.limits.iter().find(|l| at_m < l.0).or(self.limits.last()).map_or(30.0, |l| l.1);
        kmh / 3.6
    }

    /// Next place with a lower limit within a distance: metres to go and that limit in m/s.
    pub fn lower_limits_ahead(&self, at_m: f64, within_m: f64) -> impl Iterator<Item = (f64, f64)> {
        self.limits
            .iter()
            .zip(self.limits.iter().skip(1))
            .filter(move |(here, _)| (at_m..at_m + within_m).contains(&here.0))
            .map(move |(here, next)| (here.0 - at_m, next.1 / 3.6))
    }

    /// Every stop, the last included.
    pub fn all_stops(&self) -> Vec<f64> {
        self.stops.iter().copied().chain([self.length_m]).collect()
    }

    /// Height above the sea, m.
    pub fn altitude_m(&self, at_m: f64) -> f64 {
        12.0 + self.waves(at_m, |w, angle| w.amplitude * angle.sin())
    }

    /// Rise over run.
    pub fn gradient(&self, at_m: f64) -> f64 {
        self.waves(at_m, |w, angle| w.amplitude * angle.cos() * TAU * w.periods / self.length_m)
    }

    fn waves(&self, at_m: f64, value: impl Fn(&Wave, f64) -> f64) -> f64 {
        let turn = TAU * at_m / self.length_m;
        self.climb.iter().map(|w| value(w, turn * w.periods + w.phase)).sum()
    }

    /// Draws the path on the map.
    pub fn path(&self) -> Path {
        let steps = (self.length_m / SPACING_M).round() as usize;
        let mut points = Vec::with_capacity(steps + 1);
        let (mut x, mut y) = (0.0_f64, 0.0_f64);
        for k in 0..=steps {
            let course_rad = self.heading_rad(k as f64 / steps as f64);
            points.push(Point { east_m: x, north_m: y, course_rad });
            // Half a step further on: the midpoint rule keeps a symmetric ring closed.
            let middle = self.heading_rad((k as f64 + 0.5) / steps as f64);
            x += middle.sin() * self.length_m / steps as f64;
            y += middle.cos() * self.length_m / steps as f64;
        }
        Path { points, spacing_m: self.length_m / steps as f64 }
    }

    /// Heading at a share of the route, clockwise from north.
    fn heading_rad(&self, share: f64) -> f64 {
        let bends = |along: f64| -> f64 {
            self.bends.iter().map(|w| w.amplitude * (TAU * along * w.periods + w.phase).sin()).sum()
        };
        match self.shape {
            Shape::Ring => TAU * share + bends(share),
            Shape::OutAndBack if share <= 0.5 => 0.9 + bends(share),
            Shape::OutAndBack => 0.9 + bends(1.0 - share) + TAU / 2.0,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Point {
    east_m: f64,
    north_m: f64,
    course_rad: f64,
}

/// A drawn path.
#[derive(Debug, Clone, PartialEq)]
pub struct Path {
    points: Vec<Point>,
    spacing_m: f64,
}

/// A place on the path.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Latitude, degrees north.
    pub lat_deg: f64,
    /// Longitude, degrees east.
    pub lon_deg: f64,
    /// Direction of travel, degrees clockwise from north, 0 to 360.
    pub course_deg: f64,
}

impl Path {
    /// The place at a distance along the route, m.
    pub fn place(&self, at_m: f64) -> Place {
        let last = self.points.len() - 1;
        let position = (at_m / self.spacing_m).clamp(0.0, last as f64);
        let (k, share) = (position.floor() as usize, position.fract());
        let (a, b) = (self.points[k.min(last)], self.points[(k + 1).min(last)]);
        let (east, north) = (a.east_m + share * (b.east_m - a.east_m), a.north_m + share * (b.north_m - a.north_m));
        island::place(east, north, METRES_PER_DEGREE, a.course_rad)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rings_close_on_the_map_and_in_height() {
        for route in [HARBOUR_LOOP, RIDGE_ROAD, CAUSEWAY] {
            let path = route.path();
            let (start, end) = (path.points[0], path.points[path.points.len() - 1]);
            let apart = (start.east_m - end.east_m).hypot(start.north_m - end.north_m);
            assert!(apart < 0.5, "{}: {apart} m apart", route.name);
            let rise = route.altitude_m(route.length_m) - route.altitude_m(0.0);
            assert!(rise.abs() < 1e-6, "{}: {rise} m higher", route.name);
        }
    }

    #[test]
    fn the_gradient_is_the_slope_of_the_height() {
        for at in [10.0, 1234.0, 5000.0] {
            let slope = (RIDGE_ROAD.altitude_m(at + 0.5) - RIDGE_ROAD.altitude_m(at - 0.5)) / 1.0;
            assert!((slope - RIDGE_ROAD.gradient(at)).abs() < 1e-6);
        }
    }

    #[test]
    fn limits_and_stops_fit_the_length() {
        for route in [HARBOUR_LOOP, RIDGE_ROAD, CAUSEWAY, HARBOUR_HOP] {
            assert!(route.limits.is_sorted_by(|a, b| a.0 < b.0), "{}", route.name);
            assert_eq!(route.limits.last().map(|l| l.0), Some(route.length_m), "{}", route.name);
            assert!(route.all_stops().is_sorted_by(|a, b| a < b), "{}", route.name);
        }
    }
}
