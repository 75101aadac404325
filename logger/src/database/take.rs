//! Which signals are taken over, and as what.

use std::collections::BTreeSet;

use tallywheel_schemas::{Channel, Hold, unknown_name};

use super::{
    DatabaseError, DatabaseOptions,
    field::{Field, identifier},
    listing::Listed,
    mapping::Map,
    parsed::Database,
    unit::{Conversion, Unit, ucum},
};

/// What was taken over, in the database's order, and the listing.
pub(super) struct Taken {
    pub(super) fields: Vec<TakenField>,
    pub(super) listed: Vec<Listed>,
}

/// A signal and the channel that it feeds.
pub(super) struct TakenField {
    pub(super) field: Field,
    pub(super) feed: Feed,
}

/// The channel that a signal feeds.
pub(super) enum Feed {
    /// One of the rig's own.
    Aux {
        /// Its name.
        name: String,
        /// UCUM code.
        unit: String,
    },
    /// A canonical one.
    Channel {
        /// The channel.
        channel: &'static Channel,
        /// Motor position.
        position: Option<String>,
        /// From the database's unit to the channel's.
        conversion: Conversion,
        /// The database's range in the channel's unit, cut to the channel's own; `None` leaves the channel's.
        range: Option<(f64, f64)>,
    },
}

/// A signal of the database on its way.
struct Candidate<'a> {
    message: &'a str,
    signal: &'a str,
    line: Option<usize>,
    id: Result<(u32, bool), String>,
    map: Option<&'a Map>,
    wanted: bool,
    field: Result<Field, String>,
}

pub(super) fn take(database: &Database, options: &DatabaseOptions) -> Result<Taken, DatabaseError> {
    check_names(database, options)?;
    let mut candidates = candidates(database, options);
    // What the person names comes first where two signals share bits.
    refuse_overlaps(&mut candidates, |c| c.map.is_some());
    refuse_overlaps(&mut candidates, |c| c.map.is_none());
    let mut names = BTreeSet::new();
    let mut taken = Taken { fields: Vec::new(), listed: Vec::new() };
    for candidate in candidates {
        let listed = Listed::new(candidate.message, candidate.signal, candidate.id.clone().ok(), candidate.line);
        if !candidate.wanted {
            taken.listed.push(listed.not_wanted());
            continue;
        }
        let fed = match (candidate.field, candidate.map) {
            (Ok(field), None) => {
                let feed = Feed::Aux { name: aux_name(&field, &mut names), unit: ucum(&field.unit) };
                Ok(TakenField { field, feed })
            }
            (Ok(field), Some(map)) => channel_feed(&field, map).map(|feed| TakenField { field, feed }),
            (Err(reason), _) => Err(reason),
        };
        match (fed, candidate.map) {
            (Ok(fed), _) => {
                taken.listed.push(listed.taken(&fed));
                taken.fields.push(fed);
            }
            (Err(reason), None) => taken.listed.push(listed.refused(reason)),
            (Err(message), Some(map)) => {
                return Err(DatabaseError::Map {
                    path: database.path.clone(),
                    line: candidate.line,
                    signal: format!("{}.{}", candidate.message, candidate.signal),
                    channel: map.channel.name.to_owned(),
                    message,
                });
            }
        }
    }
    Ok(taken)
}

/// Whether a name given by the person means this signal.
fn means(name: &str, message: &str, signal: &str) -> bool {
    match name.split_once('.') {
        Some((m, s)) => m == message && s == signal,
        None => name == signal,
    }
}

fn check_names(database: &Database, options: &DatabaseOptions) -> Result<(), DatabaseError> {
    let fail = |message: String| Err(DatabaseError::Name { path: database.path.clone(), message });
    let signals: Vec<(&str, &str)> = database.signals().collect();
    let full: Vec<String> = signals.iter().map(|(m, s)| format!("{m}.{s}")).collect();
    let both = || full.iter().map(String::as_str).chain(signals.iter().map(|(_, s)| *s));
    for name in &options.only {
        let is_message = database.messages.iter().any(|(m, _)| m.name == *name);
        if !is_message && !signals.iter().any(|(m, s)| means(name, m, s)) {
            let messages = database.messages.iter().map(|(m, _)| m.name.as_str());
            return fail(unknown_name("message or signal", name, messages.chain(both())));
        }
    }
    for (i, map) in options.maps.iter().enumerate() {
        let meant: Vec<&str> =
            full.iter().zip(&signals).filter(|(_, (m, s))| means(&map.signal, m, s)).map(|(f, _)| f.as_str()).collect();
        match meant[..] {
            [] => return fail(unknown_name("signal", &map.signal, both())),
            [_] => {}
            _ => {
                return fail(format!(
                    "signal `{}` is in several messages: name one of {}",
                    map.signal,
                    meant.join(", ")
                ));
            }
        }
        let same = |other: &&Map| {
            (other.channel.name, &other.position) == (map.channel.name, &map.position)
                || signals.iter().any(|(m, s)| means(&map.signal, m, s) && means(&other.signal, m, s))
        };
        if let Some(other) = options.maps[..i].iter().find(same) {
            let (a, b) = ((&other.signal, other.channel.name), (&map.signal, map.channel.name));
            return fail(format!("{}={} and {}={} name a signal or a channel twice", a.0, a.1, b.0, b.1));
        }
    }
    Ok(())
}

fn candidates<'a>(database: &'a Database, options: &'a DatabaseOptions) -> Vec<Candidate<'a>> {
    let mut candidates = Vec::new();
    for (message, place) in &database.messages {
        let id = identifier(message, place.as_ref().and_then(|p| p.id));
        for (i, signal) in message.signals.iter().enumerate() {
            let line = place.as_ref().and_then(|p| p.signals.get(i)).copied();
            let map = options.maps.iter().find(|m| means(&m.signal, &message.name, &signal.name));
            let named = |name: &String| *name == message.name || means(name, &message.name, &signal.name);
            let wanted = map.is_some() || options.only.is_empty() || options.only.iter().any(named);
            let field = id.clone().and_then(|id| Field::read(database, message, id, signal, line));
            let (message, signal) = (message.name.as_str(), signal.name.as_str());
            candidates.push(Candidate { message, signal, line, id: id.clone(), map, wanted, field });
        }
    }
    candidates
}

/// The rig gives every bit to one signal; of two that share bits the first is kept.
fn refuse_overlaps(candidates: &mut [Candidate<'_>], turn: impl Fn(&Candidate<'_>) -> bool) {
    for i in 0..candidates.len() {
        if !candidates[i].wanted || !turn(&candidates[i]) {
            continue;
        }
        let Ok(field) = &candidates[i].field else { continue };
        let earlier = |(j, c): (usize, &Candidate<'_>)| {
            let is_before = if turn(c) { j < i } else { c.map.is_some() };
            let other = c.field.as_ref().ok().filter(|_| c.wanted && is_before)?;
            other.overlaps(field).then(|| other.full_name())
        };
        if let Some(other) = candidates.iter().enumerate().find_map(earlier) {
            candidates[i].field = Err(format!("it shares bits with {other}"));
        }
    }
}

/// A name for a channel of the rig's own: the signal's, with its message's where another has that already.
fn aux_name(field: &Field, taken: &mut BTreeSet<String>) -> String {
    let long = format!("{}_{}", field.message, field.signal);
    let numbered = (2..).map(|n| format!("{long}_{n}"));
    let mut names = [field.signal.clone(), long.clone()].into_iter().chain(numbered);
    let free = names.find(|name| !taken.contains(name));
    let name = free.expect("the numbers do not end before the database does");
    taken.insert(name.clone());
    name
}

fn channel_feed(field: &Field, map: &Map) -> Result<Feed, String> {
    let channel = map.channel;
    let written = map.unit.as_deref().unwrap_or(&field.unit);
    let conversion = conversion(written, channel)?;
    if channel.hold == Hold::Counter && (field.scale, field.offset) != (1.0, 0.0) {
        let (scale, offset) = (field.scale, field.offset);
        return Err(format!("a counter is stored as counted, but its factor is {scale} and its offset {offset}"));
    }
    let range = if field.stated { Some(common_range(field, conversion, channel)?) } else { None };
    Ok(Feed::Channel { channel, position: map.position.clone(), conversion, range })
}

fn conversion(written: &str, channel: &Channel) -> Result<Conversion, String> {
    let to = Unit::find(channel.unit).ok_or_else(|| format!("its unit {} has no conversions", channel.unit))?;
    if written.trim().is_empty() && to.ucum != "1" {
        let channel = channel.unit;
        return Err(format!(
            "the database states no unit and the channel is in {channel}: give `unit` in a mapping file"
        ));
    }
    let from = Unit::find(written).ok_or_else(|| format!("unit `{written}` is not known"))?;
    from.to(to).ok_or_else(|| format!("unit `{written}` cannot be turned into {}", channel.unit))
}

fn common_range(field: &Field, by: Conversion, channel: &Channel) -> Result<(f64, f64), String> {
    // Every factor is positive, so that the ends keep their order.
    let (min, max) = (field.range.0 * by.factor + by.offset, field.range.1 * by.factor + by.offset);
    let common = (min.max(channel.min), max.min(channel.max));
    if common.0 < common.1 {
        return Ok(common);
    }
    Err(format!("its range {min} to {max} lies outside the channel's {} to {}", channel.min, channel.max))
}
