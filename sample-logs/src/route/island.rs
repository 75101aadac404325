//! The four routes, and where in the open Atlantic the island is imagined.

use super::{Place, Route, Shape, Wave};

/// Origin of every route: 59.3° N, 5.2° W, where there is only sea.
const ORIGIN: (f64, f64) = (59.30, -5.20);

/// From metres on the map to a place.
pub(super) fn place(east_m: f64, north_m: f64, metres_per_degree: f64, course_rad: f64) -> Place {
    let lat_deg = ORIGIN.0 + north_m / metres_per_degree;
    Place {
        lat_deg,
        lon_deg: ORIGIN.1 + east_m / (metres_per_degree * ORIGIN.0.to_radians().cos()),
        course_deg: course_rad.to_degrees().rem_euclid(360.0),
    }
}

const fn wave(periods: f64, amplitude: f64, phase: f64) -> Wave {
    Wave { periods, amplitude, phase }
}

/// Town route of the claim, 9.4 km: a stop every half kilometre and one stretch of link road on which the
/// set cut-off speed is passed.
pub const HARBOUR_LOOP: Route = Route {
    name: "harbour loop",
    length_m: 9400.0,
    limits: &[
        (800.0, 32.0),
        (1500.0, 40.0),
        (2300.0, 30.0),
        (3260.0, 42.0),
        (4250.0, 61.5),
        (5600.0, 38.0),
        (6400.0, 29.0),
        (7400.0, 41.0),
        (8400.0, 34.0),
        (9400.0, 30.0),
    ],
    stops: &[
        330.0, 760.0, 1090.0, 1480.0, 1890.0, 2280.0, 2750.0, 3250.0, 4600.0, 5150.0, 5580.0, 6050.0, 6420.0, 6950.0,
        7390.0, 7850.0, 8380.0, 8890.0,
    ],
    dwell_s: 15.0,
    climb: &[wave(1.0, 7.0, 0.4), wave(3.0, 4.0, 2.0), wave(7.0, 1.5, 0.9)],
    bends: &[wave(3.0, 0.55, 0.2), wave(9.0, 0.35, 1.1)],
    shape: Shape::Ring,
};

/// Hilly route, 17 km.
pub const RIDGE_ROAD: Route = Route {
    name: "ridge road",
    length_m: 17_000.0,
    limits: &[
        (1200.0, 45.0),
        (4800.0, 62.0),
        (7200.0, 54.0),
        (9000.0, 48.0),
        (13_500.0, 64.0),
        (15_800.0, 56.0),
        (17_000.0, 42.0),
    ],
    stops: &[1180.0, 4820.0, 8990.0, 11_400.0, 15_790.0],
    dwell_s: 18.0,
    climb: &[wave(1.0, 75.0, -1.2), wave(3.0, 14.0, 0.5), wave(8.0, 5.0, 1.9)],
    bends: &[wave(3.0, 0.7, 0.0), wave(12.0, 0.3, 0.7)],
    shape: Shape::Ring,
};

/// Open route out over the causeway and back, 22 km.
pub const CAUSEWAY: Route = Route {
    name: "causeway",
    length_m: 22_000.0,
    limits: &[(1500.0, 45.0), (9800.0, 78.0), (12_400.0, 50.0), (20_600.0, 78.0), (22_000.0, 45.0)],
    stops: &[1490.0, 11_000.0, 20_590.0],
    dwell_s: 22.0,
    climb: &[wave(2.0, 2.5, 0.0)],
    bends: &[wave(2.0, 0.15, 0.0), wave(10.0, 0.05, 0.3)],
    shape: Shape::OutAndBack,
};

/// The first kilometre or so of the link road, for short sample captures: two stops, past the cut-off speed once.
pub const HARBOUR_HOP: Route = Route {
    name: "harbour hop",
    length_m: 1000.0,
    limits: &[(210.0, 36.0), (800.0, 61.0), (1000.0, 42.0)],
    stops: &[200.0],
    dwell_s: 7.0,
    climb: &[wave(1.0, 1.5, 0.3)],
    bends: &[wave(1.0, 0.2, 0.0)],
    shape: Shape::OutAndBack,
};
