//! The Skerry Isles demonstration: a simulator that speaks like real instruments and knows the truth.

pub mod assist;
pub mod drive;
pub mod driver;
pub mod engine;
pub mod gearbox;
pub mod noise;
pub mod pack;
pub mod route;
pub mod thermal;
pub mod truth;
pub mod vehicle;

#[cfg(test)]
mod tune {
    #[test]
    fn tune() {
        use crate::{assist::KitSwitch, drive::*, route::*};
        for r in [HARBOUR_LOOP, HARBOUR_HOP] {
            let mut c = [0.0; 2];
            for (i, k) in [KitSwitch::Off, KitSwitch::On].into_iter().enumerate() {
                let t = Drive::new(Setup::plain(r, k, 3)).finish();
                c[i] = t.fuel_ml_at_15c / t.distance_m * 100.0;
                eprintln!("{} {:?} {:.2} L/100 mov {:.1} km/h max {:.1} {:#?}", r.name, k, c[i], t.distance_m / t.moving_s * 3.6, t.speed_max_m_s*3.6, t);
            }
            eprintln!("{} improvement {:.1}", r.name, 100.0 * (c[0] / c[1] - 1.0));
        }
    }
}
