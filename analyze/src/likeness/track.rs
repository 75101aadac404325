//! The satellite track of a session: where it went, and how much of the way has fixes.
//!
//! Read from the native `motion` rows, a batch at a time. Fixes nearer than [`STEP_M`] to the last one kept are
//! passed over, so that the noise of a vehicle at rest is no way and a track takes as much memory as it is long.

use arrow::{
    array::{Array, AsArray, RecordBatch},
    datatypes::{Float64Type, Int64Type},
};
use polars::prelude::PolarsResult;
use tallywheel_schemas::{Channel, Domain, Table};

use super::plane::{Fix, distance_m};
use crate::{columns, integral::Sum, ledger::SessionLedger};

/// Spacing of the points of a track, m.
pub const STEP_M: f64 = 5.0;
/// Nothing on the road is faster, m/s: two fixes further apart are not joined.
const JUMP_M_S: f64 = 100.0;
/// Fixes may come in bursts: a pause is taken to be at least this long, s.
const JITTER_S: f64 = 1.0;
const COLUMNS: &[&str] = &["lat_deg", "lon_deg", "gps_quality"];

/// Where a vehicle went.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Track {
    /// Stretches without a hole, each of two points at least.
    pub pieces: Vec<Vec<Fix>>,
    /// Length of the pieces, m.
    pub length_m: f64,
    /// Distance driven without fixes, m, by the ledger.
    pub missed_m: f64,
}

impl Track {
    /// A track without holes through some fixes.
    pub fn through(fixes: impl IntoIterator<Item = Fix>) -> Self {
        let mut drawn = Drawing::new(i64::MAX);
        fixes.into_iter().for_each(|fix| drawn.go(fix));
        drawn.finish()
    }

    /// The track of a session; `None` when it has no fixes that are two points apart.
    ///
    /// # Errors
    /// When the ledger's frame lacks its columns.
    pub fn of(ledger: &SessionLedger) -> PolarsResult<Option<Self>> {
        let limit_s = Channel::find("motion.lat_deg").map_or(2.5, |c| c.max_gap_s);
        let mut drawing = Drawing::new((limit_s * 1e6) as i64);
        for batch in ledger.session.rows(Table::Decoded(Domain::Motion), COLUMNS) {
            drawing.take(&batch);
        }
        let odometer = Odometer::of(ledger)?;
        let holes = drawing.holes(i64::MIN, i64::MAX);
        let mut track = drawing.finish();
        track.missed_m = holes.into_iter().map(|(from, to)| odometer.between_m(from, to)).sum();
        Ok((!track.pieces.is_empty()).then_some(track))
    }

    /// Share of the way that has fixes; 0 for no way at all.
    pub fn coverage(&self) -> f64 {
        let whole = self.whole_m();
        if whole > 0.0 { self.length_m / whole } else { 0.0 }
    }

    /// Length with what was driven without fixes, m.
    pub fn whole_m(&self) -> f64 {
        self.length_m + self.missed_m
    }
}

/// A track while it is drawn.
#[derive(Debug)]
struct Drawing {
    limit_us: i64,
    pieces: Vec<Vec<Fix>>,
    length: Sum,
    /// The last fix, drawn or not.
    last: Option<(i64, Fix)>,
    first_us: Option<i64>,
    /// Pauses longer than the limit.
    holes: Vec<(i64, i64)>,
    /// The receiver's last word on its quality, and when.
    quality: Option<(i64, i64)>,
}

impl Drawing {
    fn new(limit_us: i64) -> Self {
        Self {
            limit_us,
            pieces: Vec::new(),
            length: Sum::default(),
            last: None,
            first_us: None,
            holes: Vec::new(),
            quality: None,
        }
    }

    fn take(&mut self, batch: &RecordBatch) {
        let floats = |name: &str| batch.column_by_name(name).and_then(|c| c.as_primitive_opt::<Float64Type>());
        let ints = |name: &str| batch.column_by_name(name).and_then(|c| c.as_primitive_opt::<Int64Type>());
        let (Some(times), Some(lat), Some(lon)) = (ints("t_us"), floats("lat_deg"), floats("lon_deg")) else { return };
        let quality = ints("gps_quality");
        for i in 0..batch.num_rows() {
            let t = times.value(i);
            if let Some(q) = quality.filter(|q| q.is_valid(i)) {
                self.quality = Some((t, q.value(i)));
            }
            if lat.is_valid(i) && lon.is_valid(i) && self.is_fixed(t) {
                self.see(t, Fix { lat_deg: lat.value(i), lon_deg: lon.value(i) });
            }
        }
    }

    /// Whether the receiver has not just said that it has no fix.
    fn is_fixed(&self, t: i64) -> bool {
        self.quality.is_none_or(|(at, q)| q != 0 || t.saturating_sub(at) > self.limit_us)
    }

    fn see(&mut self, t: i64, fix: Fix) {
        if !(fix.lat_deg.abs() <= 90.0 && fix.lon_deg.is_finite()) {
            return;
        }
        self.first_us.get_or_insert(t);
        if let Some((before, place)) = self.last {
            let pause = t.saturating_sub(before);
            if pause > self.limit_us {
                self.holes.push((before, t));
                self.lift();
            } else if distance_m(place, fix) > JUMP_M_S * (pause as f64 / 1e6).max(JITTER_S) {
                self.lift();
            }
        }
        self.go(fix);
        self.last = Some((t, fix));
    }

    /// Draws on to a fix.
    fn go(&mut self, fix: Fix) {
        match self.pieces.last_mut() {
            Some(piece) => match piece.last() {
                Some(end) => {
                    let step = distance_m(*end, fix);
                    if step >= STEP_M {
                        self.length.add(step);
                        piece.push(fix);
                    }
                }
                None => piece.push(fix),
            },
            None => self.pieces.push(vec![fix]),
        }
    }

    /// Begins a new piece with the next fix.
    fn lift(&mut self) {
        match self.pieces.last_mut() {
            Some(piece) if piece.len() < 2 => piece.clear(),
            Some(_) => self.pieces.push(Vec::new()),
            None => {}
        }
    }

    /// Times without fixes between two times.
    fn holes(&self, from: i64, to: i64) -> Vec<(i64, i64)> {
        let (Some(first), Some((last, _))) = (self.first_us, self.last) else { return Vec::new() };
        [(from, first)].into_iter().chain(self.holes.iter().copied()).chain([(last, to)]).collect()
    }

    fn finish(self) -> Track {
        let pieces = self.pieces.into_iter().filter(|p| p.len() > 1).collect();
        Track { pieces, length_m: self.length.value(), missed_m: 0.0 }
    }
}

/// Distance driven between two times, by the ledger.
struct Odometer {
    start_us: i64,
    bin_us: i64,
    /// Distance up to the end of each bin, m.
    upto_m: Vec<f64>,
}

impl Odometer {
    fn of(ledger: &SessionLedger) -> PolarsResult<Self> {
        let distances = columns::floats(&ledger.bins, "distance_m")?;
        let start_us = ledger.bins.column("t_us")?.i64()?.first().unwrap_or_default();
        let mut upto = Sum::default();
        let upto_m = distances
            .into_iter()
            .map(|m| {
                upto.add(m.unwrap_or(0.0));
                upto.value()
            })
            .collect();
        Ok(Self { start_us, bin_us: ledger.findings.bin_us.max(1), upto_m })
    }

    /// Distance up to a time, even inside a bin.
    fn at_m(&self, t_us: i64) -> f64 {
        let since = t_us.saturating_sub(self.start_us).max(0);
        let bin = (since / self.bin_us) as usize;
        let end = |bin: usize| self.upto_m.get(bin).copied();
        let before = bin.checked_sub(1).and_then(end).unwrap_or(0.0);
        match end(bin) {
            Some(after) => before + (after - before) * (since % self.bin_us) as f64 / self.bin_us as f64,
            None => self.upto_m.last().copied().unwrap_or(0.0),
        }
    }

    fn between_m(&self, from_us: i64, to_us: i64) -> f64 {
        (self.at_m(to_us) - self.at_m(from_us)).max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn north(m: f64) -> Fix {
        Fix { lat_deg: 60.0 + m / 111_413.0, lon_deg: -2.0 }
    }

    /// At 2 m between fixes every third is drawn, 6 m apart; a vehicle at rest adds nothing.
    #[test]
    fn rest_and_noise_are_no_way() {
        let mut drawing = Drawing::new(2_500_000);
        for i in 0..=30 {
            drawing.see(i * 200_000, north(2.0 * i as f64));
        }
        for i in 31..600 {
            drawing.see(i * 200_000, north(60.0 + (i % 3) as f64));
        }
        let track = drawing.finish();
        assert!((track.length_m - 60.0).abs() < 0.05, "{}", track.length_m);
        assert_eq!(track.pieces[0].len(), 11);
    }

    #[test]
    fn silence_and_jumps_cut_the_track() {
        let mut drawing = Drawing::new(2_500_000);
        for i in 0..10 {
            drawing.see(i * 1_000_000, north(10.0 * i as f64));
        }
        // Half a minute without a fix, then on; later one fix two kilometres off.
        for i in 40..50 {
            drawing.see(i * 1_000_000, north(10.0 * i as f64));
        }
        drawing.see(50_000_000, north(2500.0));
        for i in 51..60 {
            drawing.see(i * 1_000_000, north(10.0 * i as f64));
        }
        assert_eq!(drawing.holes(0, 60_000_000), [(0, 0), (9_000_000, 40_000_000), (59_000_000, 60_000_000)]);
        let track = drawing.finish();
        assert_eq!(track.pieces.len(), 3);
        assert!((track.length_m - (90.0 + 90.0 + 80.0)).abs() < 0.2, "{}", track.length_m);
    }

    /// A receiver without a fix may repeat its last place, or any other: quality 0 is believed for as long as it may be
    /// held, whichever sentence carries it.
    #[test]
    fn places_without_a_fix_are_passed_over() {
        let t: Vec<i64> = (0..40).map(|i| i * 500_000).collect();
        let quality = |i: i64| if i % 2 == 1 { None } else { Some(i64::from(!(10..20).contains(&i))) };
        let batch = crate::fixture::Columns::new(Domain::Motion, t)
            .all(
                "lat_deg",
                (0..40).map(|i| if (10..20).contains(&i) { 10.0 } else { north(10.0 * f64::from(i)).lat_deg }),
            )
            .all("lon_deg", std::iter::repeat_n(-2.0, 40))
            .ints("gps_quality", (0..40).map(quality))
            .batch("s1")
            .expect("rows");
        let mut drawing = Drawing::new(2_500_000);
        drawing.take(&batch);
        assert_eq!(drawing.holes, [(4_500_000, 10_000_000)]);
        let track = drawing.finish();
        assert_eq!(track.pieces.iter().map(Vec::len).collect::<Vec<_>>(), [10, 20]);
        assert!((track.length_m - (90.0 + 190.0)).abs() < 0.2, "{}", track.length_m);
    }

    #[test]
    fn the_odometer_reads_inside_bins() {
        let odometer = Odometer { start_us: 1_000_000, bin_us: 1_000_000, upto_m: vec![10.0, 30.0, 30.0] };
        assert!((odometer.between_m(1_500_000, 2_500_000) - 15.0).abs() < 1e-9);
        assert!((odometer.between_m(i64::MIN, i64::MAX) - 30.0).abs() < 1e-9);
    }
}
