//! Figures of a roll-up as inline SVG: the fleet's chart and the sparklines.
//!
//! They stand on light and on dark ground: ink is the text's colour, and everything else is of middle lightness.

use std::fmt::Write as _;

use plotters::{
    coord::Shift,
    prelude::*,
    style::text_anchor::{HPos, Pos, VPos},
};

use super::{RollUpReport, attention::OwnChange, report::VehicleReport};

const INK: RGBColor = RGBColor(0x22, 0x26, 0x2B);
const QUIET: RGBColor = RGBColor(0x1F, 0x8E, 0x88);
const LOUD: RGBColor = RGBColor(0xCB, 0x5A, 0x2E);
const FAINT: RGBColor = RGBColor(0x9A, 0xA0, 0xA6);

/// Above so many vehicles the intervals are left out: they would touch.
const MOST_INTERVALS: usize = 120;
/// Places in the list that are written into the chart.
const MOST_PLACES: usize = 12;
/// Vehicles without which there is nothing to compare.
const FEWEST: usize = 3;

type Drawn = Result<(), Box<dyn std::error::Error>>;

/// A vehicle in the chart.
struct Dot {
    change: OwnChange,
    /// Place in the list of what needs attention.
    place: Option<usize>,
}

/// Change of every vehicle's standardised consumption with its interval, in order of the change; those that need
/// attention stand out, with their place in the list. `None` with fewer than three changes to show, and when the drawing
/// fails, which it does not in memory.
pub(super) fn fleet_chart(report: &RollUpReport) -> Option<String> {
    let dot = |v: &VehicleReport| {
        let change = *v.change.get("consumption")?;
        Some(Dot { change, place: report.attention_of(&v.vehicle).map(|a| a.rank) })
    };
    let mut dots: Vec<Dot> = report.vehicles.iter().filter_map(dot).collect();
    if dots.len() < FEWEST {
        return None;
    }
    dots.sort_by(|a, b| a.change.percent.total_cmp(&b.change.percent));
    let size = (1480, 430);
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, size).into_drawing_area();
        draw(&area, &dots).ok()?;
        area.present().ok()?;
    }
    let fixed = format!("width=\"{}\" height=\"{}\" ", size.0, size.1);
    let label = "role=\"img\" aria-label=\"Change of consumption by vehicle\" ";
    Some(svg.replacen(&fixed, &format!("width=\"100%\" {label}"), 1).replace("#22262B", "currentColor"))
}

fn draw(area: &DrawingArea<SVGBackend<'_>, Shift>, dots: &[Dot]) -> Drawn {
    let n = dots.len() as f64;
    let intervals = dots.len() <= MOST_INTERVALS;
    // A single vehicle with a wide interval must not flatten all others.
    let reach = |d: &Dot| if intervals { d.change.low.abs().max(d.change.high.abs()) } else { d.change.percent.abs() };
    let largest = dots.iter().map(|d| d.change.percent.abs()).fold(0.0, f64::max) * 1.3;
    let top = dots.iter().map(reach).fold(0.0, f64::max).min(largest.max(10.0)).max(4.0) * 1.08;
    let mut chart = ChartBuilder::on(area)
        .margin(12)
        .x_label_area_size(34)
        .y_label_area_size(100)
        .build_cartesian_2d(-0.7..n - 0.3, -top..top)?;
    chart
        .configure_mesh()
        .disable_x_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(FAINT.mix(0.35))
        .axis_style(FAINT)
        .x_labels(1)
        .x_label_formatter(&|_| String::new())
        .y_labels(6)
        .y_label_formatter(&|v| percent(*v))
        .y_desc("change of fuel, %")
        .x_desc("vehicles by change")
        .label_style(("sans-serif", 24).into_font().color(&INK))
        .draw()?;
    chart.draw_series([PathElement::new(vec![(-0.7, 0.0), (n - 0.3, 0.0)], FAINT.stroke_width(2))])?;
    let colour = |d: &Dot| if d.place.is_some() { LOUD } else { QUIET };
    let radius = if dots.len() > 200 { 4 } else { 7 };
    for (i, dot) in dots.iter().enumerate() {
        let x = i as f64;
        if intervals {
            let line = vec![(x, dot.change.low.max(-top)), (x, dot.change.high.min(top))];
            chart.draw_series([PathElement::new(line, colour(dot).stroke_width(3))])?;
        }
        chart.draw_series([Circle::new((x, dot.change.percent), radius, colour(dot).filled())])?;
    }
    let mut written: Vec<(i32, i32)> = Vec::new();
    for (i, dot) in dots.iter().enumerate() {
        let Some(place) = dot.place.filter(|p| *p <= MOST_PLACES) else { continue };
        // Beside the dot's line, above others that are as near.
        let (x, y) = chart.backend_coord(&(i as f64, dot.change.percent));
        let mut at = (x + 8, y - 16);
        while written.iter().any(|(x, y)| (x - at.0).abs() < 30 && (y - at.1).abs() < 22) {
            at.1 -= 22;
        }
        written.push(at);
        let style = ("sans-serif", 22).into_font().color(&INK).pos(Pos::new(HPos::Left, VPos::Center));
        area.draw(&Text::new(place.to_string(), at, style))?;
    }
    Ok(())
}

/// A percentage on the axis.
fn percent(value: f64) -> String {
    let text = crate::figure::signed(value, 0);
    if text == "+0" { "0".to_owned() } else { text }
}

/// A line of a few weeks with a dot on the last, `width` × `height` in CSS pixels; a week without a value breaks it.
/// `None` without any value.
pub(super) fn sparkline(values: &[Option<f64>], width: f64, height: f64) -> Option<String> {
    let known = || values.iter().flatten().copied();
    let (low, high) = (known().reduce(f64::min)?, known().reduce(f64::max)?);
    // A line that hardly moves is drawn flat: at least 4 % of the value from edge to edge.
    let span = (high - low).max(0.04 * high.abs()).max(1e-9);
    let middle = (high + low) / 2.0;
    let x = |i: usize| 3.0 + (width - 6.0) * i as f64 / (values.len().max(2) - 1) as f64;
    let y = |v: f64| height / 2.0 - (v - middle) / span * (height - 6.0);
    let mut path = String::new();
    let mut drawing = false;
    for (i, value) in values.iter().enumerate() {
        if let Some(v) = value {
            let _ = write!(path, "{}{:.1} {:.1}", if drawing { "L" } else { "M" }, x(i), y(*v));
        }
        drawing = value.is_some();
    }
    let last = values.iter().enumerate().rev().find_map(|(i, v)| Some((i, (*v)?)));
    let dot = last.map(|(i, v)| format!("<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"2.4\" fill=\"#CB5A2E\"/>", x(i), y(v)));
    Some(format!(
        "<svg class=\"spark\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" height=\"{height}\" aria-hidden=\"true\">\
         <path d=\"{path}\" fill=\"none\" stroke=\"#1F8E88\" stroke-width=\"1.6\"/>{}</svg>",
        dot.unwrap_or_default()
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sparkline_breaks_where_a_week_is_missing() {
        let svg = sparkline(&[Some(1.0), Some(2.0), None, Some(1.5)], 60.0, 20.0).expect("a line");
        assert_eq!(svg.matches('M').count(), 2, "{svg}");
        assert_eq!(sparkline(&[None, None], 60.0, 20.0), None);
    }
}
