//! The rig's text.

use std::{fmt::Write as _, path::Path};

use toml::Value;

use super::{
    DatabaseOptions,
    field::Field,
    take::{Feed, TakenField},
};

/// Value names longer than this stay out of a channel's description.
const SHORT_NAMES: usize = 80;

pub(super) fn rig_text(path: &Path, options: &DatabaseOptions, fields: &[TakenField]) -> String {
    let mut out = String::new();
    // Writing to a string does not fail.
    let _ = write_all(&mut out, path, options, fields);
    out
}

fn write_all(out: &mut String, path: &Path, options: &DatabaseOptions, fields: &[TakenField]) -> std::fmt::Result {
    let file = path.file_name().unwrap_or_default().to_string_lossy();
    writeln!(out, "# Made from the CAN database {}. Check hold, max_gap_s and the ranges, and add", comment(&file))?;
    writeln!(out, "# calibrations: a database does not know them.\n")?;
    writeln!(out, "schema = 1\nvehicle = {}\n", quoted(&options.vehicle))?;
    writeln!(out, "[[port]]\nname = {}\nkind = \"slcan\"", quoted(&options.port))?;
    writeln!(out, "bit_rate = {}", options.bit_rate)?;
    writeln!(out, "# device = \"/dev/serial/by-id/…\"   `tallywheel-logger ports` lists them")?;
    let mut message = None;
    for taken in fields {
        let this = (&taken.field.message, taken.field.id);
        if message.replace(this) != Some(this) {
            writeln!(out, "\n# ---- message {}", taken.field.message)?;
        }
        write_field(out, options, taken)?;
    }
    Ok(())
}

fn write_field(out: &mut String, options: &DatabaseOptions, taken: &TakenField) -> std::fmt::Result {
    let Field { id, extended, start_bit, length, big, signed, .. } = taken.field;
    let (channel, scale, offset) = match &taken.feed {
        Feed::Aux { name, .. } => (name.as_str(), taken.field.scale, taken.field.offset),
        Feed::Channel { channel, conversion: c, .. } => {
            (channel.name, taken.field.scale * c.factor, taken.field.offset * c.factor + c.offset)
        }
    };
    writeln!(out, "\n[[signal]]\nchannel = {}", quoted(channel))?;
    if let Feed::Channel { position: Some(position), .. } = &taken.feed {
        writeln!(out, "position = {}", quoted(position))?;
    }
    writeln!(out, "port = {}", quoted(&options.port))?;
    if extended {
        writeln!(out, "id = 0x{id:08X}\nextended = true")?;
    } else {
        writeln!(out, "id = 0x{id:03X}")?;
    }
    writeln!(out, "start_bit = {start_bit}\nlength = {length}")?;
    writeln!(out, "byte_order = \"{}\"", if big { "big" } else { "little" })?;
    if signed {
        writeln!(out, "signed = true")?;
    }
    if let Some(s) = &taken.field.selector {
        writeln!(out, "mux = {{ start_bit = {}, length = {}, value = {} }}", s.start_bit, s.length, s.value)?;
    }
    if (scale, offset) != (1.0, 0.0) {
        writeln!(out, "scale = {scale:?}\noffset = {offset:?}")?;
    }
    match &taken.feed {
        Feed::Aux { name, unit } => write_aux(out, &taken.field, name, unit),
        Feed::Channel { range: Some((min, max)), .. } => writeln!(out, "min = {min:?}\nmax = {max:?}"),
        Feed::Channel { .. } => Ok(()),
    }
}

fn write_aux(out: &mut String, field: &Field, name: &str, unit: &str) -> std::fmt::Result {
    if field.is_state {
        writeln!(out, "hold = \"step\"")?;
    }
    let (min, max) = field.range;
    writeln!(out, "\n[aux.{name}]\nunit = {}\nmin = {min:?}\nmax = {max:?}", quoted(unit))?;
    let names = Some(field.value_names.as_str()).filter(|n| !n.is_empty() && n.len() <= SHORT_NAMES);
    let doc: Vec<&str> =
        [Some(field.comment.as_str()), names].into_iter().flatten().filter(|d| !d.is_empty()).collect();
    if doc.is_empty() { Ok(()) } else { writeln!(out, "doc = {}", quoted(&doc.join("; "))) }
}

fn quoted(text: &str) -> String {
    Value::from(text).to_string()
}

/// Text that may stand in a comment line.
fn comment(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}
