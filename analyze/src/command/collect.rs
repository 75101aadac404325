//! `collect`: gather sealed sessions into one dataset.

use std::{path::PathBuf, sync::Arc};

use clap::Args as ClapArgs;

use super::{Failure, Outcome, SummaryFormat, print};
use crate::{
    collect::{self, CollectOptions, DEFAULT_JOBS, Source},
    interrupt::stop_flag,
    progress::Bar,
};

/// Flags of `collect`.
#[derive(Debug, ClapArgs)]
pub(super) struct Flags {
    /// Datasets to take sessions from: directories, or s3://BUCKET/PREFIX. A bucket's end point and keys come from
    /// AWS_ENDPOINT_URL, AWS_DEFAULT_REGION, AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY.
    #[arg(required = true)]
    from: Vec<String>,
    /// Dataset to collect into; made where it is not there.
    #[arg(long)]
    into: PathBuf,
    /// Sessions fetched at once.
    #[arg(long, default_value_t = DEFAULT_JOBS as u16, value_parser = clap::value_parser!(u16).range(1..=256))]
    jobs: u16,
    /// How the summary is printed.
    #[arg(long, value_enum, default_value_t = SummaryFormat::Text)]
    format: SummaryFormat,
}

pub(super) fn run(flags: &Flags) -> Result<Outcome, Failure> {
    let sources = flags.from.iter().map(|name| Source::open(name)).collect::<Result<Vec<_>, _>>();
    let sources = sources.map_err(collect::CollectError::from)?;
    let stop = stop_flag().map_err(Failure::Signals)?;
    let options = CollectOptions {
        jobs: usize::from(flags.jobs),
        stop: Some(Arc::clone(&stop)),
        ..CollectOptions::new(&flags.into)
    };
    let collected = collect::collect(&sources, &options, &Bar::new())?;
    let text = match flags.format {
        SummaryFormat::Text => collected.to_text(),
        SummaryFormat::Json => collected.to_json(),
    };
    let failed = collected.count(collect::Outcome::Failed);
    if failed > 0 {
        print(&text)?;
        return Err(Failure::NotRead { sessions: failed });
    }
    Ok(Outcome { text, faults: collected.has_faults() })
}
