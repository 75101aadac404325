//! The report as people read it: text for the terminal, a self-contained page for paper and screen.

mod html;
mod plots;
mod text;
mod wording;

pub use html::page;
pub use plots::{PlotError, Plots, draw};
pub use text::text;

/// Cautions that every report carries.
pub const CAUTIONS: &[&str] = &[
    "Road tests can hurt people. Drive them with two people, on a closed road or in light traffic first; the driver \
     watches the road and never a screen.",
    "The pack's voltage is hazardous. Work on it is for licensed people who isolate and lock out first. Motors, \
     brakes and packs may be hot; a damaged lithium pack can burn.",
    "Local law and licensed practice come before anything said here. Tallywheel measures and reports; it is not a \
     safety device, and nothing in it protects the vehicle or anyone in it.",
];

/// The method, one paragraph a step, with sources.
pub const METHOD: &[(&str, &str)] = &[
    (
        "Ledger",
        "Every channel is integrated exactly at the rate it was recorded: straight line between samples, \
      counters by differences, pack power as the product of two straight lines. A gap longer than the channel's limit \
      is not bridged and lowers the coverage. Everything else is sums over the resulting one-second rows.",
    ),
    (
        "Mileage",
        "Summed distance over summed fuel of all runs of a condition, never a mean of ratios (harmonic \
      averaging, 40 CFR 600). Fuel volume is given at the reference temperature of the rig.",
    ),
    (
        "Improvement and fuel saved",
        "Two figures: with consumption B without and T with assist, the improvement of \
      mileage is (B − T) / T and the fuel saved (B − T) / B. Both come from the difference of mean log consumptions; the \
      interval is Student's t for pairs and vehicles, Welch's t for separate groups (NIST/SEMATECH e-Handbook of \
      Statistical Methods, sections 1.3.5.2 and 1.3.5.3) with the degrees of freedom that keep its confidence for three \
      runs, least squares for blocks and covariates. An even drift over the campaign is taken out of pairs in alternating \
      order.",
    ),
    ("Decision", crate::verdict::RULE),
    (
        "Looks",
        "The allowed error is divided over the planned looks by a spending function of O'Brien and Fleming's type (Lan and \
      DeMets 1983). When the plan was written is the campaign file's word. Error rates and coverage of this method were counted on simulated campaigns with known truths; see \
      the developers' documentation, “Calibration of the verdict”.",
    ),
    (
        "Cross-checks",
        "A bias-corrected and accelerated bootstrap (Efron 1987), widened for few runs (Hesterberg 2015), and the ratio \
      of summed fuel over summed distance with Fieller's interval. They decide nothing; where one disagrees, the report \
      says so.",
    ),
    (
        "Calibrations",
        "Every calibration contributes by its sensitivity in either condition (JCGM 100). What is the same \
      in both widens the mileages and cancels in the improvement; an offset cancels as far as the mean values are alike; \
      two different calibrations do not cancel. Where the rig states no uncertainty, common practice stands in and the \
      budget says so.",
    ),
    (
        "Fuel measured twice",
        "Weighed tank, meter, reported rate and air mass are compared over the time that both \
      cover: run by run against the combined uncertainty, by Deming's line (Linnet 1993), between the conditions, and over \
      the campaign. A ratio that differs between the conditions beyond 99 % of chance, or a run beyond three standard \
      uncertainties, withholds the verdict until a person decides which measure is believed.",
    ),
    (
        "Electricity",
        "Energy from the wall is what it takes to put back the charge that driving took, from logged \
      charging sessions; without any, the pack's net energy over a stated charging efficiency. Petrol-equivalent mileage \
      counts 33.705 kWh as one US gallon (40 CFR 600). A run whose net energy is within 1 % of its fuel's is \
      charge-sustaining (SAE J1711, 2010 edition).",
    ),
    (
        "A day's driving",
        "With assist as far as a full pack goes, as without it beyond. The share within the range comes from the \
      utility curve that the campaign names (SAE J2841 or UN GTR 15) or from the fleet's own daily distances, \
      Σ min(d, R) / Σ d; consumption is averaged over distance.",
    ),
    (
        "Heat",
        "Ageing is counted by the Arrhenius law with the activation energy that doubles it over the ten kelvin \
      above the class temperature (IEC 60085 classes; 20,000 h nominal life after IEC 60216, from memory). It is a \
      relative figure: published lives at high temperature depart from any such rule by a factor of two and more.",
    ),
];
