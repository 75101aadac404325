//! The report's figures as inline SVG.
//!
//! The drawing library works in whole pixels, so every figure is drawn at double size and scaled by its view
//! box. Colours differ in lightness as well as hue, so that they survive a grey printer.

mod likeness;

use plotters::{
    coord::Shift,
    prelude::*,
    style::text_anchor::{HPos, Pos, VPos},
};
use polars::prelude::PolarsResult;
use tallywheel_schemas::{
    Condition, Units,
    report::{MotorHeat, Report, SpeedBin},
    units::{METRES_PER_MILE, fahrenheit},
};

use crate::{columns, run::RunFacts};

const BASELINE: RGBColor = RGBColor(0x5B, 0x5F, 0x66);
const ASSIST: RGBColor = RGBColor(0x0B, 0x7A, 0x75);
const SECOND: RGBColor = RGBColor(0xC0, 0x6C, 0x1F);
const INK: RGBColor = RGBColor(0x22, 0x26, 0x2B);
const FAINT: RGBColor = RGBColor(0xE3, 0xE5, 0xE8);

/// Figures of a report as SVG texts, `None` where there is nothing to draw.
#[derive(Debug, Default)]
pub struct Plots {
    /// Consumption per run by condition.
    pub runs: Option<String>,
    /// Speed, fuel and pack power over time of a pair.
    pub pair: Option<String>,
    /// Names of the two runs in `pair`.
    pub pair_names: Option<(String, String)>,
    /// Time by winding temperature.
    pub temperatures: Option<String>,
    /// Consumption by class of speed.
    pub speeds: Option<String>,
    /// Share of time by class of speed.
    pub histogram: Option<String>,
    /// Satellite tracks.
    pub tracks: Option<String>,
}

/// Error of a figure: the drawing library's, or a ledger without its columns.
#[derive(Debug, thiserror::Error)]
pub enum PlotError {
    /// The drawing failed.
    #[error("draw {figure}: {reason}")]
    Draw {
        /// Figure.
        figure: &'static str,
        /// What the library said.
        reason: String,
    },
    /// A ledger lacks a column.
    #[error(transparent)]
    Columns(#[from] polars::prelude::PolarsError),
}

type Drawn = Result<(), Box<dyn std::error::Error>>;

/// Draws the figures of a report.
///
/// # Errors
/// When a ledger lacks its columns, or the drawing library fails.
pub fn draw(report: &Report, runs: &[RunFacts<'_>], units: Units) -> Result<Plots, PlotError> {
    let pair = shown_pair(report, runs);
    let traces = pair.map(|(b, a)| Ok::<_, PlotError>((Trace::of(b)?, Trace::of(a)?))).transpose()?;
    let drives = likeness::drives(report, runs);
    let driven =
        [&report.likeness.baseline_time_share, &report.likeness.assist_time_share].iter().any(|s| !s.is_empty());
    let heat: Vec<&MotorHeat> = report.thermal.iter().filter(|m| m.covered_s > 0.0).collect();
    Ok(Plots {
        runs: figure("runs", (1480, 560), !report.runs.is_empty(), |area| per_run(area, report, units))?,
        pair: traces
            .map(|(b, a)| figure("pair", (1480, 1080), true, |area| pair_traces(area, &b, &a, units)))
            .transpose()?
            .flatten(),
        pair_names: pair.map(|(b, a)| (b.sheet.run.clone(), a.sheet.run.clone())),
        temperatures: figure("temperatures", (1480, 520), !heat.is_empty(), |area| temperatures(area, &heat, units))?,
        speeds: figure("speeds", (1480, 560), !report.speed_bins.is_empty(), |area| {
            speeds(area, &report.speed_bins, units)
        })?,
        histogram: figure("histogram", (1480, 460), driven, |area| likeness::histogram(area, report, units))?,
        tracks: figure("tracks", (1480, 900), !drives.is_empty(), |area| likeness::tracks(area, &drives, units))?,
    })
}

/// Runs one drawing into an SVG text that scales to its container.
fn figure(
    name: &'static str,
    size: (u32, u32),
    wanted: bool,
    draw: impl FnOnce(&DrawingArea<SVGBackend<'_>, Shift>) -> Drawn,
) -> Result<Option<String>, PlotError> {
    if !wanted {
        return Ok(None);
    }
    let mut svg = String::new();
    let fail = |e: &dyn std::fmt::Display| PlotError::Draw { figure: name, reason: e.to_string() };
    {
        let area = SVGBackend::with_string(&mut svg, size).into_drawing_area();
        area.fill(&WHITE).map_err(|e| fail(&e))?;
        draw(&area).map_err(|e| fail(&e))?;
        area.present().map_err(|e| fail(&e))?;
    }
    let fixed = format!("width=\"{}\" height=\"{}\" ", size.0, size.1);
    Ok(Some(svg.replacen(&fixed, "width=\"100%\" role=\"img\" ", 1)))
}

fn label(size: i32) -> TextStyle<'static> {
    ("sans-serif", size).into_font().color(&INK)
}

/// Consumption or mileage in the unit asked for.
fn in_units(l_per_100km: f64, units: Units) -> f64 {
    match units {
        Units::Metric => l_per_100km,
        Units::Us => tallywheel_schemas::units::mpg_us_from_l_per_100km(l_per_100km),
    }
}

const fn consumption_title(units: Units) -> &'static str {
    match units {
        Units::Metric => "L/100 km",
        Units::Us => "mpg (US)",
    }
}

fn colour(condition: Condition) -> RGBColor {
    match condition {
        Condition::Baseline => BASELINE,
        Condition::Assist => ASSIST,
    }
}

/// A bar a run, excluded runs hollow.
fn per_run(area: &DrawingArea<SVGBackend<'_>, Shift>, report: &Report, units: Units) -> Drawn {
    let value = |l: Option<f64>| l.map(|l| in_units(l, units));
    let top = report.runs.iter().filter_map(|r| value(r.l_per_100km)).fold(1.0, f64::max) * 1.15;
    let n = report.runs.len() as f64;
    let mut chart = ChartBuilder::on(area)
        .margin(20)
        .x_label_area_size(70)
        .y_label_area_size(110)
        .build_cartesian_2d(-0.5..n - 0.5, 0.0..top)?;
    let name = |x: &f64| {
        let near = x.round();
        let run = report.runs.get(near as usize).filter(|_| near >= 0.0 && (x - near).abs() < 1e-6);
        run.map(|r| short_name(report, &r.id)).unwrap_or_default()
    };
    chart
        .configure_mesh()
        .disable_x_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(FAINT)
        .axis_style(INK)
        .x_labels(report.runs.len() * 2 + 1)
        .x_label_formatter(&name)
        .y_desc(consumption_title(units))
        .label_style(label(24))
        .draw()?;
    for (i, run) in report.runs.iter().enumerate() {
        let Some(v) = value(run.l_per_100km) else { continue };
        let x = i as f64;
        let corners = [(x - 0.32, 0.0), (x + 0.32, v)];
        let ink = colour(run.condition);
        let style = if run.used { ink.filled() } else { ink.stroke_width(3) };
        chart.draw_series([Rectangle::new(corners, style)])?;
        let text = if run.used { format!("{v:.2}") } else { "excluded".to_owned() };
        chart.draw_series([Text::new(text, (x, v), label(24).pos(Pos::new(HPos::Center, VPos::Bottom)))])?;
    }
    key(area, &[("without assist", BASELINE), ("with assist", ASSIST)])
}

/// A run's name without what all names share at the front and without its condition, which the colour tells.
fn short_name(report: &Report, id: &str) -> String {
    let shared = |a: &str, b: &str| a.bytes().zip(b.bytes()).take_while(|(x, y)| x == y).count();
    let common = report.runs.iter().map(|r| shared(id, &r.id)).min().unwrap_or(0);
    // Not into the middle of a number: `run-10` and `run-11` keep their tens.
    let start = id.get(..common).map_or(0, |head| head.trim_end_matches(|c: char| c.is_ascii_digit()).len());
    let tail = id.get(start..).unwrap_or(id);
    let trimmed = [Condition::Baseline, Condition::Assist]
        .iter()
        .fold(tail, |t, c| t.strip_suffix(c.name()).unwrap_or(t))
        .trim_matches(['-', '_', ' ', '.']);
    if trimmed.is_empty() { id.to_owned() } else { trimmed.to_owned() }
}

/// A small key in the upper right corner.
fn key(area: &DrawingArea<SVGBackend<'_>, Shift>, entries: &[(&str, RGBColor)]) -> Drawn {
    let mut x = area.dim_in_pixel().0 as i32 - 40;
    for (name, ink) in entries.iter().rev() {
        x -= 14 * name.chars().count() as i32 + 50;
        area.draw(&Rectangle::new([(x, 14), (x + 24, 38)], ink.filled()))?;
        area.draw(&Text::new((*name).to_owned(), (x + 34, 14), label(26)))?;
    }
    Ok(())
}

/// A run's course over time, one value a bin.
struct Trace {
    minutes: Vec<f64>,
    speed_km_h: Vec<Option<f64>>,
    fuel_ml_min: Vec<Option<f64>>,
    pack_kw: Vec<Option<f64>>,
}

impl Trace {
    fn of(run: &RunFacts<'_>) -> PolarsResult<Self> {
        let bins = &run.ledger.bins;
        let bin_s = run.ledger.findings.bin_s();
        let per = |name: &str, valid: &str, factor: f64| -> PolarsResult<Vec<Option<f64>>> {
            let rate = |(v, s): (Option<f64>, Option<f64>)| Some(v? / s.filter(|s| *s > 0.5 * bin_s)? * factor);
            Ok(columns::floats(bins, name)?.into_iter().zip(columns::floats(bins, valid)?).map(rate).collect())
        };
        let (out, into) = (per("pack_out_wh", "pack_valid_s", 3.6)?, per("pack_in_wh", "pack_valid_s", 3.6)?);
        Ok(Self {
            minutes: (0..bins.height()).map(|i| (i as f64 + 0.5) * bin_s / 60.0).collect(),
            speed_km_h: per("distance_m", "distance_valid_s", 3.6)?,
            fuel_ml_min: smooth(&per("fuel_ml", "fuel_valid_s", 60.0)?, 5),
            pack_kw: smooth(&out.into_iter().zip(into).map(|(o, i)| Some(o? - i?)).collect::<Vec<_>>(), 5),
        })
    }
}

/// Running mean over `width` bins, for the eye only.
fn smooth(values: &[Option<f64>], width: usize) -> Vec<Option<f64>> {
    (0..values.len())
        .map(|i| {
            values[i]?;
            let near = &values[i.saturating_sub(width / 2)..(i + width / 2 + 1).min(values.len())];
            let known: Vec<f64> = near.iter().copied().flatten().collect();
            Some(known.iter().sum::<f64>() / known.len() as f64)
        })
        .collect()
}

/// The first pair (or first run of each condition) that counts.
fn shown_pair<'r, 'a>(report: &Report, runs: &'r [RunFacts<'a>]) -> Option<(&'r RunFacts<'a>, &'r RunFacts<'a>)> {
    let run = |name: &str| runs.iter().find(|r| r.sheet.run == name);
    if let Some(pair) = report.pairs.iter().find(|p| p.used).or(report.pairs.first()) {
        return run(&pair.baseline).zip(run(&pair.assist));
    }
    let first = |condition| report.runs.iter().find(|r| r.used && r.condition == condition).and_then(|r| run(&r.id));
    first(Condition::Baseline).zip(first(Condition::Assist))
}

/// Three panels over one time axis.
fn pair_traces(area: &DrawingArea<SVGBackend<'_>, Shift>, b: &Trace, a: &Trace, units: Units) -> Drawn {
    let minutes = b.minutes.iter().chain(&a.minutes).copied().fold(0.0, f64::max);
    let (scale, speed) = match units {
        Units::Metric => (1.0, "speed, km/h"),
        Units::Us => (1000.0 / METRES_PER_MILE, "speed, mph"),
    };
    let panels = area.margin(50, 0, 0, 0).split_evenly((3, 1));
    type Panel<'a> = (&'a str, &'a [Option<f64>], &'a [Option<f64>], f64);
    let rows: [Panel<'_>; 3] = [
        (speed, &b.speed_km_h, &a.speed_km_h, scale),
        ("fuel, mL/min", &b.fuel_ml_min, &a.fuel_ml_min, 1.0),
        ("pack power, kW", &b.pack_kw, &a.pack_kw, 1.0),
    ];
    for (i, (title, without, with, scale)) in rows.into_iter().enumerate() {
        let known = || without.iter().chain(with).flatten().map(|v| v * scale);
        let (low, high) = (known().fold(0.0, f64::min), known().fold(0.1, f64::max));
        let mut chart = ChartBuilder::on(&panels[i])
            .margin_right(20)
            .margin_top(8)
            .x_label_area_size(if i == 2 { 66 } else { 30 })
            .y_label_area_size(110)
            .build_cartesian_2d(0.0..minutes, low * 1.08..high * 1.08)?;
        let mut mesh = chart.configure_mesh();
        mesh.light_line_style(TRANSPARENT).bold_line_style(FAINT).axis_style(INK);
        mesh.y_desc(title).y_labels(5).label_style(label(24)).x_label_formatter(&|m| format!("{m:.0}"));
        if i == 2 {
            mesh.x_desc("minutes from the start");
        }
        mesh.draw()?;
        for (trace, values, ink) in [(b, without, BASELINE), (a, with, ASSIST)] {
            for stretch in stretches(&trace.minutes, values, scale) {
                chart.draw_series(LineSeries::new(stretch, ink.stroke_width(3)))?;
            }
        }
    }
    key(area, &[("without assist", BASELINE), ("with assist", ASSIST)])
}

/// Points between gaps: a line is never drawn across a hole in the data.
fn stretches(minutes: &[f64], values: &[Option<f64>], scale: f64) -> Vec<Vec<(f64, f64)>> {
    let points: Vec<Option<(f64, f64)>> = minutes.iter().zip(values).map(|(m, v)| Some((*m, (*v)? * scale))).collect();
    points.split(Option::is_none).filter(|s| !s.is_empty()).map(|s| s.iter().copied().flatten().collect()).collect()
}

/// Minutes by class of winding temperature, a colour a motor.
fn temperatures(area: &DrawingArea<SVGBackend<'_>, Shift>, motors: &[&MotorHeat], units: Units) -> Drawn {
    let classes = || motors.iter().flat_map(|m| &m.histogram);
    let low = classes().map(|c| c.from_c).fold(f64::INFINITY, f64::min);
    let high = classes().map(|c| c.from_c + 5.0).fold(low + 5.0, f64::max);
    let top = classes().map(|c| c.seconds / 60.0).fold(0.1, f64::max) * 1.1;
    let mut chart = ChartBuilder::on(area)
        .margin(20)
        .margin_top(50)
        .x_label_area_size(66)
        .y_label_area_size(110)
        .build_cartesian_2d(low..high, 0.0..top)?;
    let (unit, shown): (&str, fn(f64) -> f64) = match units {
        Units::Metric => ("winding temperature, °C", |t| t),
        Units::Us => ("winding temperature, °F", fahrenheit),
    };
    chart
        .configure_mesh()
        .disable_x_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(FAINT)
        .axis_style(INK)
        .x_desc(unit)
        .y_desc("minutes")
        .x_label_formatter(&|t| format!("{:.0}", shown(*t)))
        .label_style(label(24))
        .draw()?;
    let inks = [ASSIST, SECOND, BASELINE];
    let width = 5.0 / motors.len() as f64;
    for (i, motor) in motors.iter().enumerate() {
        let ink = inks[i % inks.len()];
        chart.draw_series(motor.histogram.iter().map(|c| {
            let left = c.from_c + width * i as f64 + 0.15;
            Rectangle::new([(left, 0.0), (left + width - 0.3, c.seconds / 60.0)], ink.filled())
        }))?;
    }
    let entries: Vec<(&str, RGBColor)> =
        motors.iter().enumerate().map(|(i, m)| (m.position.as_str(), inks[i % inks.len()])).collect();
    key(area, &entries)
}

/// Consumption by class of speed, both conditions side by side.
fn speeds(area: &DrawingArea<SVGBackend<'_>, Shift>, bins: &[SpeedBin], units: Units) -> Drawn {
    let values = || bins.iter().flat_map(|b| [b.baseline_l_per_100km, b.assist_l_per_100km]).flatten();
    let top = values().map(|l| in_units(l, units)).fold(1.0, f64::max) * 1.1;
    let scale = match units {
        Units::Metric => 1.0,
        Units::Us => 1000.0 / METRES_PER_MILE,
    };
    let end = bins.last().map_or(10.0, |b| b.to_km_h);
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
        .x_labels(bins.len() + 1)
        .x_desc(if units == Units::Us { "speed, mph" } else { "speed, km/h" })
        .x_label_formatter(&|v| format!("{:.0}", v * scale))
        .y_desc(consumption_title(units))
        .label_style(label(24))
        .draw()?;
    for bin in bins {
        let middle = (bin.from_km_h + bin.to_km_h) / 2.0;
        let bars = [(bin.baseline_l_per_100km, middle - 4.2, BASELINE), (bin.assist_l_per_100km, middle + 0.2, ASSIST)];
        for (value, left, ink) in bars {
            if let Some(v) = value.map(|l| in_units(l, units)) {
                chart.draw_series([Rectangle::new([(left, 0.0), (left + 4.0, v)], ink.filled())])?;
            }
        }
    }
    key(area, &[("without assist", BASELINE), ("with assist", ASSIST)])
}
