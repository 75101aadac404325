//! How much of one track lies on another.

use std::collections::HashMap;

use super::{
    plane::{Place, Plane},
    track::Track,
};

/// Length of the stretches that are looked at one by one, m.
const STRETCH_M: f64 = 5.0;

/// A straight stretch on the plane.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    from: Place,
    to: Place,
}

impl Stretch {
    fn vector(&self) -> (f64, f64) {
        (self.to.east_m - self.from.east_m, self.to.north_m - self.from.north_m)
    }

    fn length_m(&self) -> f64 {
        let (east, north) = self.vector();
        east.hypot(north)
    }

    fn middle(&self) -> Place {
        self.at(0.5)
    }

    fn at(&self, share: f64) -> Place {
        let (east, north) = self.vector();
        Place { east_m: self.from.east_m + share * east, north_m: self.from.north_m + share * north }
    }

    fn distance_m(&self, place: Place) -> f64 {
        let (east, north) = self.vector();
        let along = (place.east_m - self.from.east_m) * east + (place.north_m - self.from.north_m) * north;
        let square = east * east + north * north;
        let foot = self.at(if square > 0.0 { (along / square).clamp(0.0, 1.0) } else { 0.0 });
        (place.east_m - foot.east_m).hypot(place.north_m - foot.north_m)
    }

    /// Whether both lead the same way, to within a right angle.
    fn agrees(&self, other: &Self) -> bool {
        let ((a, b), (c, d)) = (self.vector(), other.vector());
        a * c + b * d > 0.0
    }
}

/// A track on a plane, cut into stretches of at most `longest_m`.
fn stretches(track: &Track, plane: &Plane, longest_m: f64) -> Vec<Stretch> {
    let mut cut = Vec::new();
    for piece in &track.pieces {
        let places: Vec<Place> = piece.iter().map(|fix| plane.place(*fix)).collect();
        for pair in places.windows(2) {
            let whole = Stretch { from: pair[0], to: pair[1] };
            let parts = (whole.length_m() / longest_m).ceil().max(1.0) as usize;
            let share = |k: usize| k as f64 / parts as f64;
            cut.extend((0..parts).map(|k| Stretch { from: whole.at(share(k)), to: whole.at(share(k + 1)) }));
        }
    }
    cut
}

/// A track that others are held against: its stretches by the square of a grid that they lie in.
#[derive(Debug)]
struct Road {
    within_m: f64,
    squares: HashMap<(i64, i64), Vec<Stretch>>,
}

impl Road {
    fn of(track: &Track, plane: &Plane, within_m: f64) -> Self {
        let mut squares: HashMap<(i64, i64), Vec<Stretch>> = HashMap::new();
        for stretch in stretches(track, plane, within_m) {
            squares.entry(Self::square(stretch.middle(), within_m)).or_default().push(stretch);
        }
        Self { within_m, squares }
    }

    /// A stretch is at most the width long, so that its middle is within 1.5 widths of whatever it is near to: the
    /// squares are that wide, and the nine around a place hold every stretch near it.
    fn square(place: Place, within_m: f64) -> (i64, i64) {
        let wide = 1.5 * within_m;
        ((place.east_m / wide).floor() as i64, (place.north_m / wide).floor() as i64)
    }

    fn carries(&self, stretch: &Stretch, direction: Direction) -> bool {
        let place = stretch.middle();
        let (x, y) = Self::square(place, self.within_m);
        let near = (x - 1..=x + 1).flat_map(|x| (y - 1..=y + 1).map(move |y| (x, y)));
        let fits = |road: &Stretch| direction == Direction::Either || road.agrees(stretch);
        near.filter_map(|square| self.squares.get(&square))
            .flatten()
            .any(|road| fits(road) && road.distance_m(place) <= self.within_m)
    }
}

/// Which way the other track must have gone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// The same, to within a right angle: a road driven the other way has other gradients and other junctions.
    Same,
    /// Any.
    Either,
}

/// Share of a track's length that lies within `within_m` of another; `None` when either has no length.
///
/// The track is looked at in stretches of 5 m, each by its middle: every place where the tracks part costs the share
/// up to 5 m over the length. The effort goes with the sum of the lengths, not with their product.
pub fn share_on(track: &Track, other: &Track, within_m: f64, direction: Direction) -> Option<f64> {
    let plane = Plane::at(*other.pieces.first()?.first()?);
    let road = Road::of(other, &plane, within_m);
    let (mut on, mut whole) = (0.0, 0.0);
    for stretch in stretches(track, &plane, STRETCH_M) {
        let length = stretch.length_m();
        whole += length;
        if road.carries(&stretch, direction) {
            on += length;
        }
    }
    (whole > 0.0).then(|| on / whole)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::likeness::plane::Fix;

    /// A real trip by car with its fixes as recorded; source and licence in `tests/data/SOURCES.md`.
    fn trip() -> Vec<Fix> {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/data/gps-tracks/loop-by-car.csv");
        let mut reader = csv::Reader::from_path(path).expect("a track");
        let number = |r: &csv::StringRecord, i: usize| r[i].parse().expect("a number");
        reader
            .records()
            .map(|r| r.expect("a row"))
            .map(|r| Fix { lat_deg: number(&r, 1), lon_deg: number(&r, 2) })
            .collect()
    }

    /// Every fix, however near the next: the outside figures are of the track as it is.
    fn drawn(fixes: Vec<Fix>) -> Track {
        Track { pieces: vec![fixes], ..Track::default() }
    }

    fn moved(fixes: &[Fix], north_m: f64, east_m: f64) -> Vec<Fix> {
        // Metres in a degree at 45.2735° on WGS 84, of pyproj's Geod over 0.001°.
        let (lat, lon) = (north_m / 111_137.1, east_m / 78_470.8);
        fixes.iter().map(|f| Fix { lat_deg: f.lat_deg + lat, lon_deg: f.lon_deg + lon }).collect()
    }

    fn close(actual: Option<f64>, expected: f64, tolerance: f64, what: &str) {
        let actual = actual.expect("both have a length");
        assert!((actual - expected).abs() <= tolerance, "{what}: {actual} is not {expected}");
    }

    /// Shares of a real trip within 10 and 30 m of its moved copies, computed with shapely 2.2.0 as the length of the
    /// intersection with the copy's buffer (64 segments a quadrant) over pyproj's azimuthal equidistant plane. Stretches
    /// of 5 m on 2,736 m: 0.2 % at each parting.
    #[test]
    fn shares_are_those_of_a_geometry_library() {
        let fixes = trip();
        for (north, east, within_10, within_30) in [
            (0.0, 0.0, 1.0, 1.0),
            (20.0, 0.0, 0.209_734, 1.0),
            (40.0, 0.0, 0.041_788, 0.679_442),
            (0.0, 40.0, 0.029_117, 0.458_545),
            (100.0, 100.0, 0.115_161, 0.429_658),
            (100.0, 0.0, 0.017_003, 0.083_815),
            (0.0, 100.0, 0.015_380, 0.046_457),
        ] {
            let (track, copy) = (drawn(fixes.clone()), drawn(moved(&fixes, north, east)));
            let what = format!("{north} m north, {east} m east");
            close(share_on(&track, &copy, 10.0, Direction::Either), within_10, 0.01, &what);
            close(share_on(&track, &copy, 30.0, Direction::Either), within_30, 0.01, &what);
        }
    }

    /// The first 60 fixes are 2,037 of 2,736 m; of the whole, 78.54 % are within 30 m of them (shapely, as above).
    #[test]
    fn a_part_lies_on_the_whole_and_not_the_other_way() {
        let fixes = trip();
        let (whole, part) = (drawn(fixes.clone()), drawn(fixes[..60].to_vec()));
        close(share_on(&part, &whole, 30.0, Direction::Same), 1.0, 1e-9, "part on whole");
        close(share_on(&whole, &part, 30.0, Direction::Either), 0.785_413, 0.01, "whole on part");
    }

    /// A road of 1 km to the north: its like 29 m beside it lies on it, 31 m beside it does not, 100 m neither; backwards
    /// it is the same road and another way.
    #[test]
    fn the_width_and_the_direction_count() {
        let north = |east_m: f64| -> Vec<Fix> {
            let fix = |i: i32| Fix { lat_deg: 45.2735 + f64::from(i) * 1e-4, lon_deg: 13.7 };
            moved(&(0..=90).map(fix).collect::<Vec<_>>(), 0.0, east_m)
        };
        let road = Track::through(north(0.0));
        for (east_m, share) in [(0.0, 1.0), (29.0, 1.0), (31.0, 0.0), (100.0, 0.0)] {
            let beside = Track::through(north(east_m));
            close(share_on(&beside, &road, 30.0, Direction::Same), share, 1e-9, "beside");
        }
        let mut back = north(0.0);
        back.reverse();
        let back = Track::through(back);
        close(share_on(&back, &road, 30.0, Direction::Same), 0.0, 1e-9, "backwards");
        close(share_on(&back, &road, 30.0, Direction::Either), 1.0, 1e-9, "the same road");
    }

    #[test]
    fn tracks_without_length_say_nothing() {
        assert_eq!(share_on(&Track::default(), &drawn(trip()), 30.0, Direction::Same), None);
        assert_eq!(share_on(&drawn(trip()), &Track::default(), 30.0, Direction::Same), None);
    }
}
