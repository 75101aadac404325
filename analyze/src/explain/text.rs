//! An explanation as text for the terminal.

use std::fmt::Write as _;

use tallywheel_schemas::report::{ExplainedChannel, ExplainedShare, Explanation, PersonDecision};

use crate::figure::{fixed, signed};

/// Renders an explanation as text. The ledger's rows stay in the JSON.
pub fn text(e: &Explanation) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = write(&mut out, e);
    out
}

fn write(out: &mut String, e: &Explanation) -> std::fmt::Result {
    let used = if e.used { "counts" } else { "does not count" };
    writeln!(out, "Run {} ({}) of “{}” {used}", e.run, e.condition.name(), e.campaign)?;
    if let Some(reason) = &e.reason {
        writeln!(out, "  {reason}")?;
    }
    recording(out, e)?;
    writeln!(out, "\nFrom the wire to quantities")?;
    for channel in &e.channels {
        write_channel(out, channel)?;
    }
    sums(out, e)?;
    writeln!(out, "\nRules")?;
    for rule in &e.rules {
        let kept = match rule.kept {
            Some(true) => "kept",
            Some(false) => "broken",
            None => "cannot be said",
        };
        let number = |v: Option<f64>| v.map_or_else(|| "–".to_owned(), |v| fixed(v, 4));
        match rule.limit {
            Some(_) => writeln!(out, "  {}: {}, limit {}: {kept}", rule.rule, number(rule.value), number(rule.limit))?,
            None => writeln!(out, "  {}: {kept}", rule.rule)?,
        }
    }
    match &e.share {
        Some(share) => write_share(out, share),
        None => writeln!(out, "\nIt has no part in the result."),
    }
}

fn recording(out: &mut String, e: &Explanation) -> std::fmt::Result {
    let s = &e.session;
    writeln!(out, "\nRecording {} of {}, {} to {}", s.session, s.vehicle, s.start, s.end)?;
    writeln!(out, "  {} by {}; time from {}", s.origin, s.software, s.clock)?;
    writeln!(out, "  content   {}", s.content_blake3)?;
    writeln!(out, "  manifest  {}", s.manifest_blake3.as_deref().unwrap_or("cannot be read"))?;
    writeln!(out, "  rig       {} ({})", s.rig_blake3, s.rig)?;
    for file in &s.files {
        writeln!(out, "  table     {} {}, {} rows, {} bytes", file.blake3, file.path, file.rows, file.bytes)?;
    }
    for correction in &s.corrections {
        writeln!(out, "  {}", decision(correction))?;
    }
    for note in &s.notes {
        writeln!(out, "  {note}")?;
    }
    Ok(())
}

/// A person's decision in a line.
pub(crate) fn decision(d: &PersonDecision) -> String {
    let run = d.run.as_ref().map_or_else(String::new, |run| format!("run {run}: "));
    let by = if d.by.is_empty() { "somebody without initials" } else { &d.by };
    format!("{run}{} ({by}, {}: {})", d.what, d.date, d.reason)
}

fn write_channel(out: &mut String, c: &ExplainedChannel) -> std::fmt::Result {
    let number = |v: Option<f64>| v.map_or_else(|| "none".to_owned(), |v| v.to_string());
    writeln!(out, "  {} in {}", c.channel, c.unit)?;
    match (&c.port, &c.message) {
        (Some(port), Some(message)) => {
            let (scale, offset) = (number(c.scale), number(c.offset));
            writeln!(out, "    {message} on port {port}: raw · {scale} + {offset}")?;
        }
        _ => writeln!(out, "    as the receiver sends it")?,
    }
    match &c.calibration {
        Some(k) => writeln!(
            out,
            "    calibrated: · {} + {}, {} {}, u {} % and {} {}",
            k.factor,
            k.offset,
            k.certificate.as_deref().unwrap_or("no certificate"),
            k.date.as_deref().unwrap_or("undated"),
            fixed(k.relative_uncertainty * 100.0, 3),
            k.absolute_uncertainty,
            c.unit
        )?,
        None => writeln!(out, "    no calibration stated")?,
    }
    writeln!(
        out,
        "    {} samples, {} to {}; {} gaps of {} s in all beyond {} s; {} not available, {} out of range",
        c.samples,
        number(c.first),
        number(c.last),
        c.gaps,
        fixed(c.gap_s, 1),
        number(c.gap_limit_s),
        c.missing,
        c.out_of_range
    )?;
    if let Some(modulus) = c.modulus {
        writeln!(out, "    counter of {modulus}: {} roll-overs, {} resets", c.wraps, c.resets)?;
    }
    Ok(())
}

fn sums(out: &mut String, e: &Explanation) -> std::fmt::Result {
    let number = |v: Option<f64>, decimals| v.map_or_else(|| "unknown".to_owned(), |v| fixed(v, decimals));
    writeln!(out, "\nSums over {} bins of {} s (row by row in the JSON)", e.bins.t_us.len(), e.bins.width_s)?;
    let d = &e.distance;
    writeln!(out, "  distance  {} m from {}, covered {} s", number(d.distance_m, 2), d.source, fixed(d.covered_s, 1))?;
    for (name, value) in [("wheel", d.wheel_m), ("hall", d.hall_m), ("gps", d.gps_m)] {
        if value.is_some() {
            writeln!(out, "    {name:<7} {} m", number(value, 2))?;
        }
    }
    let f = &e.fuel;
    let measure = f.measure.map_or("nothing", tallywheel_schemas::campaign::FuelMeasure::name);
    writeln!(out, "  fuel      {} mL from {measure}, covered {} s", number(f.fuel_ml, 3), fixed(f.covered_s, 1))?;
    if let Some(choice) = &f.decision {
        writeln!(out, "    decided by {} on {}: {}", choice.by, choice.date, choice.reason)?;
    }
    for m in &f.by_measure {
        writeln!(out, "    {:<7} {} g, {} mL", m.measure.name(), fixed(m.mass_g, 3), fixed(m.volume_ml, 3))?;
    }
    if let (Some(metered), Some(each)) = (f.metered_ml, f.ml_per_pulse) {
        let (factor, temperature) = (number(f.volume_factor, 6), number(f.temperature_c, 2));
        writeln!(
            out,
            "    {} pulses of {each} mL are {} mL as metered, · {factor} at {temperature} °C",
            fixed(metered / each, 0),
            fixed(metered, 3)
        )?;
        writeln!(out, "    {} to {} °C, density {} g/mL", f.volume_model, f.reference_c, f.density_g_per_ml)?;
    }
    let l = number(e.l_per_100km, 4);
    writeln!(out, "  100 · {} mL / {} m = {l} L/100 km", number(f.fuel_ml, 3), number(d.distance_m, 2))
}

fn write_share(out: &mut String, s: &ExplainedShare) -> std::fmt::Result {
    writeln!(out, "\nPart in the result")?;
    let weight = s.weight.map_or_else(|| "by its vehicle's sums".to_owned(), |w| format!("weight {}", fixed(w, 4)));
    match (&s.partner, s.log_ratio) {
        (Some(partner), Some(log)) => writeln!(
            out,
            "  with {partner}: log ratio of consumptions {}, which is {} %, {weight}",
            fixed(log, 5),
            signed(log.exp_m1() * 100.0, 2)
        )?,
        _ => writeln!(out, "  log consumption {}, {weight}", fixed(s.log_consumption, 5))?,
    }
    let without = s.without_it_percent.map_or_else(|| "nothing to compare".to_owned(), |p| signed(p, 2) + " %");
    writeln!(
        out,
        "  result: log ratio {}, improvement {} %; without it {without}",
        fixed(s.result_log_ratio, 5),
        signed(s.result_percent, 2)
    )
}
