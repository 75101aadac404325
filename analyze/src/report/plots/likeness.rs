//! Speeds and tracks of both conditions, one over the other.

use plotters::{coord::Shift, prelude::*};
use tallywheel_schemas::{Condition, Units, report::Report, units::METRES_PER_MILE};

use super::{ASSIST, BASELINE, Drawn, FAINT, INK, colour, key, label};
use crate::{
    likeness::plane::{Fix, Plane},
    run::RunFacts,
};

/// Share of time by class of speed, both conditions side by side.
pub(super) fn histogram(area: &DrawingArea<SVGBackend<'_>, Shift>, report: &Report, units: Units) -> Drawn {
    let likeness = &report.likeness;
    let (b, a) = (&likeness.baseline_time_share, &likeness.assist_time_share);
    let top = b.iter().chain(a).copied().fold(0.01, f64::max) * 110.0;
    let width = likeness.class_km_h;
    let end = b.len().max(a.len()) as f64 * width;
    let scale = if units == Units::Us { 1000.0 / METRES_PER_MILE } else { 1.0 };
    let mut chart = ChartBuilder::on(area)
        .margin(20)
        .margin_top(50)
        .x_label_area_size(66)
        .y_label_area_size(110)
        .build_cartesian_2d(0.0..end, 0.0..top)?;
    chart
        .configure_mesh()
        .disable_x_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(FAINT)
        .axis_style(INK)
        .x_desc(if units == Units::Us { "speed, mph" } else { "speed, km/h" })
        .x_label_formatter(&|v| format!("{:.0}", v * scale))
        .y_desc("% of time")
        .label_style(label(24))
        .draw()?;
    for (shares, ink, left) in [(b, BASELINE, 0.08), (a, ASSIST, 0.52)] {
        chart.draw_series(shares.iter().enumerate().map(|(i, share)| {
            let from = (i as f64 + left) * width;
            Rectangle::new([(from, 0.0), (from + 0.4 * width, share * 100.0)], ink.filled())
        }))?;
    }
    key(area, &[("without assist", BASELINE), ("with assist", ASSIST)])
}

/// A track's pieces with the condition that it was driven in.
type Drive<'r> = (Condition, &'r [Vec<Fix>]);

/// The tracks that are drawn: those of the runs that count.
pub(super) fn drives<'r>(report: &Report, runs: &'r [RunFacts<'_>]) -> Vec<Drive<'r>> {
    let counts = |r: &&RunFacts<'_>| report.runs.iter().any(|x| x.used && x.id == r.sheet.run);
    let drive = |r: &'r RunFacts<'_>| Some((r.sheet.condition, r.driven.track.as_ref()?.pieces.as_slice()));
    // The assisted ones last, so that they lie on top in every report.
    let mut drives: Vec<Drive<'r>> = runs.iter().filter(counts).filter_map(drive).collect();
    drives.sort_by_key(|d| d.0 == Condition::Assist);
    drives
}

/// Tracks, north up and with one scale for both directions.
pub(super) fn tracks(area: &DrawingArea<SVGBackend<'_>, Shift>, drives: &[Drive<'_>], units: Units) -> Drawn {
    let Some(origin) = drives.iter().flat_map(|d| d.1).flatten().next() else { return Ok(()) };
    let plane = Plane::at(*origin);
    let (name, unit_m) = if units == Units::Us { ("mi", METRES_PER_MILE) } else { ("km", 1000.0) };
    let point = |fix: &Fix| {
        let place = plane.place(*fix);
        (place.east_m / unit_m, place.north_m / unit_m)
    };
    let places = || drives.iter().flat_map(|d| d.1).flatten().map(point);
    let span = |of: fn((f64, f64)) -> f64| {
        let (low, high) = places().map(of).fold((0.0_f64, 0.0_f64), |(l, h), v| (l.min(v), h.max(v)));
        ((low + high) / 2.0, (high - low).max(0.1))
    };
    let ((x, wide), (y, high)) = (span(|p| p.0), span(|p| p.1));
    // What is left of the figure beside labels and margins.
    let (pixels_x, pixels_y) = (f64::from(area.dim_in_pixel().0) - 130.0, f64::from(area.dim_in_pixel().1) - 136.0);
    let per_pixel = (wide / pixels_x).max(high / pixels_y) * 1.05;
    let (half_x, half_y) = (per_pixel * pixels_x / 2.0, per_pixel * pixels_y / 2.0);
    let mut chart = ChartBuilder::on(area)
        .margin(20)
        .margin_top(50)
        .x_label_area_size(66)
        .y_label_area_size(90)
        .build_cartesian_2d(x - half_x..x + half_x, y - half_y..y + half_y)?;
    chart
        .configure_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(FAINT)
        .axis_style(INK)
        .x_desc(format!("east, {name}"))
        .y_desc(format!("north, {name}"))
        .x_label_formatter(&|v| format!("{v:.1}"))
        .y_label_formatter(&|v| format!("{v:.1}"))
        .label_style(label(24))
        .draw()?;
    for (condition, pieces) in drives {
        // The lower line is the wider one: where both went the same way it shows at either side.
        let width = if *condition == Condition::Baseline { 7 } else { 2 };
        for piece in *pieces {
            chart.draw_series(LineSeries::new(piece.iter().map(point), colour(*condition).stroke_width(width)))?;
        }
    }
    key(area, &[("without assist", BASELINE), ("with assist", ASSIST)])
}
