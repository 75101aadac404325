//! Runs in blocks, each on a route or with a driver of its own.
//!
//! `ln C = blockⱼ + d·baseline + e`: what a route or a driver does to both conditions is the block's own constant and
//! leaves the effect (two-way classification without interaction, least squares). The effect found is that on *these*
//! routes and drivers. Its spread is that of repeated runs of one block and condition, where there are enough of them:
//! what the effect differs from block to block is no uncertainty of its mean over these blocks.
//!
//! Where the effect itself differs from block to block more than runs of one block do (F test of the interaction), a
//! single effect does not describe it, and what can be said is what the blocks say as a sample of all such routes or
//! drivers: the mean of the blocks' effects with Student's t on blocks minus one degrees of freedom, which is wider.
//! The rule looks at the runs before it chooses; the calibration of the verdict covers it.

use tallywheel_schemas::{
    Condition,
    campaign::{Campaign, Design},
    report::{BlockResult, DesignParts, Interaction},
};

use super::{
    Effect, Estimated,
    least_squares::{Fit, fit},
    mileage_percent, unpaired,
};
use crate::{
    figure::fixed,
    observation::Observation,
    stats::{Sample, f_exceeds},
};

/// Probability of the interaction's F below which the blocks are taken as a sample.
pub const INTERACTION_LIMIT: f64 = 0.01;

/// Log consumptions of one block.
#[derive(Debug, Clone, PartialEq, Default)]
struct Cell {
    baseline: Vec<f64>,
    assist: Vec<f64>,
}

impl Cell {
    /// The block's own effect; `None` unless it has both conditions.
    fn effect(&self) -> Option<f64> {
        Some(Sample::of(&self.baseline)?.mean - Sample::of(&self.assist)?.mean)
    }
}

pub(super) fn estimate(campaign: &Campaign, observations: &[Observation]) -> Estimated {
    let cells = cells(campaign.blocks.len(), observations);
    let columns = block_columns(campaign.blocks.len(), observations);
    let Some((fixed_effect, fitted)) = fixed_blocks(&cells, &columns, observations) else {
        return Estimated { obstacles: untied(&cells).into_iter().collect(), ..Estimated::default() };
    };
    let interaction = interaction(&cells, &fitted);
    let mut parts = DesignParts {
        blocks: campaign.blocks.iter().zip(&cells).map(|(b, cell)| result(&b.name, cell)).collect(),
        interaction,
        ..DesignParts::default()
    };
    parts.notes.extend(note(interaction.as_ref()));
    let effect = match interaction {
        Some(i) if i.blocks_as_sample => sample_of_blocks(&cells, &fixed_effect),
        Some(i) => by_repetition(fixed_effect, &fitted, &i, &cells),
        None => fixed_effect,
    };
    if campaign.adjust.is_empty() {
        return Estimated { effect: Some(effect), parts, obstacles: Vec::new(), draws: None };
    }
    let mut adjusted = unpaired::adjust(campaign, observations, effect, parts, &columns);
    if interaction.is_some_and(|i| i.blocks_as_sample) {
        // The adjusted model has one effect for all blocks, and its interval would be that of an effect that there is not.
        adjusted.obstacles.push(format!(
            "the effect differs from block to block, which an adjustment for {} does not take in: remove adjust, or compare \
             the blocks one by one",
            campaign.adjust.join(", ")
        ));
    }
    adjusted
}

/// Why blocks that have runs in both conditions give no effect.
fn untied(cells: &[Cell]) -> Option<String> {
    let has = |of: fn(&Cell) -> &Vec<f64>| cells.iter().any(|c| !of(c).is_empty());
    (has(|c| &c.baseline) && has(|c| &c.assist))
        .then(|| "no block has usable runs in both conditions: the effect cannot be told from the blocks".to_owned())
}

fn cells(blocks: usize, observations: &[Observation]) -> Vec<Cell> {
    let mut cells = vec![Cell::default(); blocks];
    for o in observations {
        if let Some(cell) = cells.get_mut(o.unit) {
            match o.condition {
                Condition::Baseline => cell.baseline.push(o.log_consumption()),
                Condition::Assist => cell.assist.push(o.log_consumption()),
            }
        }
    }
    cells
}

/// One column of ones and zeros for each block that has a run.
fn block_columns(blocks: usize, observations: &[Observation]) -> Vec<Vec<f64>> {
    (0..blocks)
        .map(|block| observations.iter().map(|o| f64::from(u8::from(o.unit == block))).collect::<Vec<f64>>())
        .filter(|column| column.iter().any(|v| *v > 0.0))
        .collect()
}

fn fixed_blocks(cells: &[Cell], columns: &[Vec<f64>], observations: &[Observation]) -> Option<(Effect, Fit)> {
    let y: Vec<f64> = observations.iter().map(Observation::log_consumption).collect();
    let mut all = vec![unpaired::baseline_column(observations)];
    all.extend_from_slice(columns);
    let fitted = fit(&all, &y)?;
    let runs = |of: fn(&Cell) -> usize| cells.iter().map(of).sum::<usize>();
    let effect = Effect {
        log_ratio: fitted.coefficients[0],
        standard_error: fitted.standard_error(0),
        degrees_of_freedom: (fitted.degrees_of_freedom > 0).then_some(fitted.degrees_of_freedom as f64),
        spread: fitted.residual_sd(),
        units_used: runs(|c| c.baseline.len()).min(runs(|c| c.assist.len())),
        design: Design::Blocked,
        method: "difference of log consumption inside the blocks by least squares, interval by Student's t from the \
                 spread inside the blocks"
            .to_owned(),
    };
    Some((effect.without_rounding(), fitted))
}

/// F test of the interaction: residual squares of one effect for all blocks against those of a mean for each block and
/// condition.
fn interaction(cells: &[Cell], one_effect: &Fit) -> Option<Interaction> {
    let (squares, df) = within(cells);
    let between = one_effect.degrees_of_freedom as f64 - df;
    if between < 1.0 || df < 1.0 || squares <= 0.0 {
        return None;
    }
    let f = (one_effect.residual_squares - squares).max(0.0) / between / (squares / df);
    let p = f_exceeds(f, between, df)?;
    Some(Interaction {
        f,
        degrees_of_freedom_between: between,
        degrees_of_freedom_within: df,
        p,
        limit: INTERACTION_LIMIT,
        blocks_as_sample: p < INTERACTION_LIMIT,
    })
}

/// Sum of squares and degrees of freedom inside blocks and conditions.
fn within(cells: &[Cell]) -> (f64, f64) {
    let spread = |values: &Vec<f64>| {
        let Some(Sample { n, sd: Some(sd), .. }) = Sample::of(values) else { return (0.0, 0.0) };
        (sd * sd * (n - 1) as f64, (n - 1) as f64)
    };
    let all = cells.iter().flat_map(|c| [&c.baseline, &c.assist]).map(spread);
    all.fold((0.0, 0.0), |(s, d), (squares, df)| (s + squares, d + df))
}

/// The effect with its standard error from repeated runs, where these have twice the degrees of freedom of the
/// interaction or more; fewer would cost more than the interaction's share of the spread.
fn by_repetition(effect: Effect, fitted: &Fit, interaction: &Interaction, cells: &[Cell]) -> Effect {
    let (squares, df) = within(cells);
    if df < 2.0 * interaction.degrees_of_freedom_between {
        return effect;
    }
    let sd = (squares / df).sqrt();
    let standard_error = Some(sd * fitted.unit_variances[0].sqrt());
    Effect { standard_error, degrees_of_freedom: Some(df), spread: Some(sd), ..effect }.without_rounding()
}

/// Mean of the blocks' own effects by Student's t over blocks.
fn sample_of_blocks(cells: &[Cell], fixed_effect: &Effect) -> Effect {
    let effects: Vec<f64> = cells.iter().filter_map(Cell::effect).collect();
    let Some(sample) = Sample::of(&effects) else { return fixed_effect.clone() };
    let effect = Effect {
        log_ratio: sample.mean,
        standard_error: sample.mean_variance().map(f64::sqrt),
        degrees_of_freedom: (sample.n > 1).then_some(sample.n as f64 - 1.0),
        method: "mean of the blocks' own effects, interval by Student's t over the blocks as a sample".to_owned(),
        ..fixed_effect.clone()
    };
    effect.without_rounding()
}

fn result(name: &str, cell: &Cell) -> BlockResult {
    let count = |v: &[f64]| u32::try_from(v.len()).unwrap_or(u32::MAX);
    BlockResult {
        name: name.to_owned(),
        baseline_runs: count(&cell.baseline),
        assist_runs: count(&cell.assist),
        mileage_percent: cell.effect().map(mileage_percent),
    }
}

fn note(interaction: Option<&Interaction>) -> Option<String> {
    Some(match interaction {
        None => "whether the effect differs from block to block cannot be tested: it takes a block and condition with \
                 two runs, and two blocks with both conditions"
            .to_owned(),
        Some(i) => {
            let f = format!(
                "F = {} with {} and {} degrees of freedom, p = {}",
                fixed(i.f, 2),
                fixed(i.degrees_of_freedom_between, 0),
                fixed(i.degrees_of_freedom_within, 0),
                fixed(i.p, 3)
            );
            if i.blocks_as_sample {
                format!(
                    "the effect differs from block to block ({f}): the blocks are taken as a sample, and the interval \
                     is for the mean over all such blocks"
                )
            } else {
                format!("no difference of the effect from block to block shows ({f}): the interval is for these blocks")
            }
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected}");
    }

    fn run(condition: Condition, block: usize, log: f64) -> Observation {
        Observation::new("r", condition, block, log.exp() * 1e4, 1e4)
    }

    fn campaign(more: &str) -> Campaign {
        let text = format!(
            "schema = 1\nname = \"n\"\nvehicle = \"v\"\nroute = \"r\"\nclaim_percent = 30.0\ndesign = \"blocked\"\n{more}\
             [[block]]\nname = \"x\"\nbaseline = [\"a\"]\nassist = [\"b\"]\n[[block]]\nname = \"y\"\nbaseline = [\"c\"]\n\
             assist = [\"d\"]\n"
        );
        Campaign::parse(&tallywheel_schemas::TextFile::new("c.toml", text)).expect("a campaign")
    }

    #[test]
    fn blocks_of_one_condition_each_are_said_to_be_so() {
        let runs = [run(Condition::Baseline, 0, 1.0), run(Condition::Assist, 1, 0.6)];
        let estimated = estimate(&campaign(""), &runs);
        assert_eq!(estimated.effect, None);
        assert!(estimated.obstacles[0].starts_with("no block has usable runs in both"), "{:?}", estimated.obstacles);
        assert!(estimate(&campaign(""), &runs[..1]).obstacles.is_empty());
    }

    /// Effects of 0.30 and 0.40 with runs that repeat within 0.001: one effect does not describe them, adjusted or not.
    #[test]
    fn an_adjustment_does_not_hide_that_blocks_differ() {
        let mut runs = Vec::new();
        for (block, level, effect) in [(0, 1.0, 0.30), (1, 2.0, 0.40)] {
            for (e, wind) in [(0.001, 2.0), (-0.001, 3.0), (0.0005, 2.5)] {
                for (condition, log) in [(Condition::Baseline, level + effect + e), (Condition::Assist, level - e)] {
                    let mut run = run(condition, block, log);
                    run.covariates.insert("wind".to_owned(), wind);
                    runs.push(run);
                }
            }
        }
        let plain = estimate(&campaign(""), &runs);
        assert!(plain.obstacles.is_empty() && plain.parts.interaction.is_some_and(|i| i.blocks_as_sample));
        let adjusted = estimate(&campaign("adjust = [\"wind\"]\n"), &runs);
        assert!(
            adjusted.obstacles.iter().any(|o| o.contains("differs from block to block")),
            "{:?}",
            adjusted.obstacles
        );
    }

    /// Balanced two-way classification by hand: effects 0.30 and 0.40 of two blocks, two runs a cell, each ±0.01 about
    /// its mean. Residual squares of one effect: within 8·0.01², interaction 8·0.025².
    #[test]
    fn balanced_blocks_are_as_by_hand() {
        let mut runs = Vec::new();
        for (block, level, effect) in [(0, 1.0, 0.30), (1, 2.0, 0.40)] {
            for e in [0.01, -0.01] {
                runs.push(run(Condition::Baseline, block, level + effect + e));
                runs.push(run(Condition::Assist, block, level + e));
            }
        }
        let cells = cells(2, &runs);
        let (effect, fit) = fixed_blocks(&cells, &block_columns(2, &runs), &runs).expect("a fit");
        close(effect.log_ratio, 0.35, 1e-12);
        close(fit.residual_squares, 8.0 * 0.01_f64.powi(2) + 8.0 * 0.025_f64.powi(2), 1e-12);
        let i = interaction(&cells, &fit).expect("replicated");
        close(i.f, (8.0 * 0.025_f64.powi(2)) / (8.0 * 0.01_f64.powi(2) / 4.0), 1e-9);
        // F(1, 4) = 25 is t(4) = 5: Student's table has t(0.995, 4) = 4.604, so p lies below 0.01.
        assert!(i.p < 0.01 && i.blocks_as_sample, "{}", i.p);
        let wide = sample_of_blocks(&cells, &effect);
        close(wide.log_ratio, 0.35, 1e-12);
        close(wide.standard_error.expect("spread"), 0.05, 1e-12);
        assert_eq!(wide.degrees_of_freedom, Some(1.0));
    }
}
