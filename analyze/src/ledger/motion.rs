//! Distance and speed: the `motion` table.

use arrow::array::RecordBatch;
use tallywheel_schemas::{Rig, rig::DistanceSource};

use super::{
    columns::{Columns, seconds},
    dense::Times,
    findings::{ChannelFinding, Findings},
    gauge::{Gauge, LevelGauge, each, floats, ints, times},
};
use crate::integral::{Cells, Counter, Grid, Latest, LevelCell};

pub(super) const COLUMNS: &[&str] = &["wheel_speed_m_s", "gps_speed_m_s", "alt_m", "hall_count"];

/// The accumulators of the `motion` table.
#[derive(Debug)]
pub(super) struct Motion {
    grid: Grid,
    wheel: LevelGauge,
    gps: LevelGauge,
    alt: (Gauge, Latest),
    hall: (Gauge, Counter),
    m_per_edge: Option<f64>,
    wanted: Option<DistanceSource>,
}

impl Motion {
    pub(super) fn new(rig: &Rig, grid: Grid) -> Self {
        let alt = Gauge::new(rig, "motion.alt_m", None);
        let hall = Gauge::new(rig, "motion.hall_count", None);
        let modulus = rig.signal("motion.hall_count", None).and_then(|s| s.modulus);
        Self {
            grid,
            wheel: LevelGauge::new(rig, grid, "motion.wheel_speed_m_s", None),
            gps: LevelGauge::new(rig, grid, "motion.gps_speed_m_s", None),
            alt: (alt.clone(), Latest::new(grid, alt.between)),
            hall: (hall.clone(), Counter::new(grid, hall.between, modulus)),
            m_per_edge: rig.distance.m_per_edge,
            wanted: rig.distance.source,
        }
    }

    pub(super) fn take(&mut self, batch: &RecordBatch) {
        let t = times(batch);
        let mut at = Times::new(self.grid);
        self.wheel.take(&mut at, t, batch, "wheel_speed_m_s");
        self.gps.take(&mut at, t, batch, "gps_speed_m_s");
        let (gauge, latest) = &mut self.alt;
        each(floats(batch, "alt_m"), |i, v| {
            gauge.see(t[i], v);
            latest.add(t[i], v);
        });
        let (gauge, counter) = &mut self.hall;
        let weight = self.m_per_edge.unwrap_or(0.0);
        each(ints(batch, "hall_count"), |i, count| {
            gauge.see_int(t[i], count);
            counter.add(t[i], count, weight);
        });
    }

    /// Whether a source has data that can be turned into metres.
    fn has(&self, source: DistanceSource) -> bool {
        match source {
            DistanceSource::Wheel => self.wheel.gauge.seen(),
            DistanceSource::Hall => self.hall.0.seen() && self.m_per_edge.is_some(),
            DistanceSource::Gps => self.gps.gauge.seen(),
        }
    }

    fn choose(&self, findings: &mut Findings) {
        use DistanceSource::{Gps, Hall, Wheel};
        findings.distance_source = match self.wanted {
            Some(source) => Some(source).filter(|s| self.has(*s)),
            None => [Wheel, Hall, Gps].into_iter().find(|s| self.has(*s)),
        };
        findings.speed_source = match findings.distance_source {
            Some(Hall) => [Wheel, Gps].into_iter().find(|s| self.has(*s)),
            other => other,
        };
        if let (Some(source), None) = (self.wanted, findings.distance_source) {
            let word = match source {
                Wheel => "the wheel speed",
                Hall => "the wheel edges (with m_per_edge)",
                Gps => "the satellite speed",
            };
            findings.notes.push(format!("the rig takes distance from {word}, which this session does not have"));
        }
    }

    pub(super) fn finish(self, columns: &mut Columns, findings: &mut Findings) {
        self.choose(findings);
        let hall = self.hall.1.finish();
        let found: [Option<ChannelFinding>; 4] = [
            self.wheel.gauge.finding(),
            self.gps.gauge.finding(),
            self.alt.0.finding(),
            self.hall.0.counter_finding(&hall),
        ];
        findings.channels.extend(found.into_iter().flatten());
        let (wheel, gps) = (self.wheel.level.finish(), self.gps.level.finish());
        if self.wheel.gauge.seen() {
            columns.put_level("wheel_distance_m", None, &wheel, 1.0);
        }
        if self.gps.gauge.seen() {
            columns.put_level("gps_distance_m", None, &gps, 1.0);
        }
        if self.hall.0.seen() && self.m_per_edge.is_some() {
            columns.put_counter("hall_distance_m", &hall.cells);
        }
        match findings.distance_source {
            Some(DistanceSource::Wheel) => columns.put_level("distance_m", Some("distance_valid_s"), &wheel, 1.0),
            Some(DistanceSource::Gps) => columns.put_level("distance_m", Some("distance_valid_s"), &gps, 1.0),
            Some(DistanceSource::Hall) => {
                columns.put_counter("distance_m", &hall.cells);
                columns.put("distance_valid_s", &hall.cells, |c| Some(seconds(c.valid_us)));
            }
            None => {}
        }
        match findings.speed_source {
            Some(DistanceSource::Wheel) => put_speed(columns, &wheel, findings.bin_us),
            Some(DistanceSource::Gps) => put_speed(columns, &gps, findings.bin_us),
            Some(DistanceSource::Hall) | None => {}
        }
        if self.alt.0.seen() {
            let alt = self.alt.1.finish(columns.range());
            columns.put_values("alt_end_m", alt);
        }
    }
}

fn put_speed(columns: &mut Columns, speed: &Cells<LevelCell>, bin_us: i64) {
    columns.put("speed_start_m_s", speed, LevelCell::start);
    columns.put("speed_end_m_s", speed, LevelCell::end);
    columns.put("speed_max_m_s", speed, LevelCell::max);
    columns.put("accel_m_s2", speed, |c| Some((c.end()? - c.start()?) / seconds(bin_us)));
}
