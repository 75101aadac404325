//! The van on the road: forces that resist it, and one step of its motion.
//!
//! Takes masses, coefficients and forces; gives speed and distance. Everything is SI.

/// Acceleration of free fall, m/s² (standard gravity, CGPM 1901).
pub const GRAVITY_M_S2: f64 = 9.806_65;

/// Specific gas constant of dry air, J/(kg·K) (common practice).
const GAS_CONSTANT_AIR: f64 = 287.05;

/// A vehicle as its road load sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Vehicle {
    /// Mass as driven: van, kit, driver and parcels, kg.
    pub mass_kg: f64,
    /// Turning parts (wheels, driveline) as a share of the mass; they gather speed but weigh nothing more.
    pub rotating_share: f64,
    /// Rolling resistance coefficient.
    pub rolling: f64,
    /// Drag coefficient times frontal area, m².
    pub drag_area_m2: f64,
    /// Rolling radius of the driven wheels, m.
    pub wheel_radius_m: f64,
}

impl Vehicle {
    /// A Skerry Isles van with the kit fitted and so much payload. Coefficients of a small panel van
    /// (common practice): rolling 0.011, drag area 1.10 m², rotating parts 4 %.
    pub fn van(payload_kg: f64) -> Self {
        Self {
            mass_kg: 1650.0 + 75.0 + 110.0 + payload_kg,
            rotating_share: 0.04,
            rolling: 0.011,
            drag_area_m2: 1.10,
            wheel_radius_m: 0.298,
        }
    }

    /// The same vehicle on a road that rolls harder or easier by a factor.
    #[must_use]
    pub fn with_rolling_factor(self, factor: f64) -> Self {
        Self { rolling: self.rolling * factor, ..self }
    }

    /// Mass that resists a change of speed, kg.
    ///
    /// # Formula
    /// `m_e = m · (1 + λ)` with the rotating share λ.
    pub fn inertia_kg(&self) -> f64 {
        self.mass_kg * (1.0 + self.rotating_share)
    }

    /// Forces against the motion at a speed in m/s on a gradient (rise over run).
    ///
    /// # Formula
    /// `F_roll = m g c_rr cos α`, `F_grade = m g sin α`, `F_aero = ½ ρ c_d A (v + w)·|v + w|` with headwind w;
    /// longitudinal road load of any vehicle dynamics handbook.
    pub fn road_load(&self, speed_m_s: f64, gradient: f64, air: &Air) -> RoadLoad {
        let cosine = 1.0 / gradient.hypot(1.0);
        let weight = self.mass_kg * GRAVITY_M_S2;
        let through_air = speed_m_s + air.headwind_m_s;
        RoadLoad {
            rolling_n: weight * self.rolling * cosine,
            aero_n: 0.5 * air.density_kg_m3 * self.drag_area_m2 * through_air * through_air.abs(),
            grade_n: weight * gradient * cosine,
        }
    }

    /// Advances the speed by one step under constant forces.
    ///
    /// Acceleration is constant within the step, so distance is mean speed times time and the work of every
    /// force is force times distance: the energy account closes exactly. A step that would end backwards ends
    /// at rest; what held the van then counts as brake force.
    ///
    /// # Formula
    /// `v₁ = v₀ + (F − F_load − F_brake) Δt / m_e`, `Δs = ½ (v₀ + v₁) Δt`.
    pub fn advance(&self, speed_m_s: f64, tractive_n: f64, load: &RoadLoad, brake_n: f64, dt_s: f64) -> Advance {
        let inertia = self.inertia_kg();
        let net = tractive_n - load.total_n() - brake_n;
        let free = speed_m_s + net / inertia * dt_s;
        let (end, brake_n) =
            if free > 0.0 { (free, brake_n) } else { (0.0, tractive_n - load.total_n() + inertia * speed_m_s / dt_s) };
        let mean = 0.5 * (speed_m_s + end);
        Advance { speed_m_s: end, mean_speed_m_s: mean, distance_m: mean * dt_s, brake_n }
    }
}

/// The air that the van moves through.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    /// Density, kg/m³.
    pub density_kg_m3: f64,
    /// Wind against the motion, m/s.
    pub headwind_m_s: f64,
}

impl Air {
    /// Air at a temperature in °C and a pressure in kPa, with a headwind in m/s.
    ///
    /// # Formula
    /// `ρ = p / (R T)`, R = 287.05 J/(kg·K) for dry air.
    pub fn new(temperature_c: f64, pressure_kpa: f64, headwind_m_s: f64) -> Self {
        Self { density_kg_m3: pressure_kpa * 1000.0 / (GAS_CONSTANT_AIR * (temperature_c + 273.15)), headwind_m_s }
    }
}

/// Forces against the motion, N.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoadLoad {
    /// Tyres.
    pub rolling_n: f64,
    /// Air.
    pub aero_n: f64,
    /// Slope, negative downhill.
    pub grade_n: f64,
}

impl RoadLoad {
    /// Sum, N.
    pub fn total_n(&self) -> f64 {
        self.rolling_n + self.aero_n + self.grade_n
    }
}

/// What one step did.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Advance {
    /// Speed at the end, m/s.
    pub speed_m_s: f64,
    /// Mean speed over the step, m/s.
    pub mean_speed_m_s: f64,
    /// Distance, m.
    pub distance_m: f64,
    /// Brake force that acted, N.
    pub brake_n: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f64, b: f64, tolerance: f64) {
        assert!((a - b).abs() <= tolerance, "{a} is not {b}");
    }

    /// By hand: 1835 kg at 50 km/h on the level in still air of 15 °C and 101.325 kPa. ρ = 101325 / (287.05 ·
    /// 288.15) = 1.22500; F = 1835 · 9.80665 · 0.011 + ½ · 1.225 · 1.10 · 13.8889² = 197.947 + 129.967 N;
    /// P = 327.914 · 13.8889 = 4554.4 W.
    #[test]
    fn steady_speed_needs_the_power_of_the_hand_formula() {
        let air = Air::new(15.0, 101.325, 0.0);
        let speed = 50.0 / 3.6;
        let load = Vehicle::van(0.0).road_load(speed, 0.0, &air);
        close(load.rolling_n, 197.947, 0.001);
        close(load.aero_n, 129.967, 0.002);
        close(load.total_n() * speed, 4554.4, 0.1);
    }

    /// Closed form of m dv/dt = −(F0 + F2 v²): m_e 1545 kg, F0 180 N, F2 0.45 N/(m/s)²; 100 to 90 km/h in
    /// 8.70657 s, 60 to 10 km/h in 95.5724 s (from memory, recomputed).
    #[test]
    fn coastdown_follows_the_closed_form() {
        let vehicle = Vehicle {
            mass_kg: 1500.0,
            rotating_share: 0.03,
            rolling: 180.0 / (1500.0 * GRAVITY_M_S2),
            drag_area_m2: 0.45 * 2.0 / 1.2,
            wheel_radius_m: 0.3,
        };
        let air = Air { density_kg_m3: 1.2, headwind_m_s: 0.0 };
        for (from_kmh, to_kmh, expected) in [(100.0, 90.0, 8.706_57), (60.0, 10.0, 95.5724)] {
            let (mut speed, target, dt) = (from_kmh / 3.6, to_kmh / 3.6, 0.01);
            let mut time = 0.0;
            while speed > target {
                let load = vehicle.road_load(speed, 0.0, &air);
                let next = vehicle.advance(speed, 0.0, &load, 0.0, dt).speed_m_s;
                time += if next > target { dt } else { dt * (speed - target) / (speed - next) };
                speed = next;
            }
            // First-order stepping at 10 ms: the error is about ½·Δt·(change of force over force).
            close(time, expected, 0.004);
        }
    }

    #[test]
    fn a_van_without_drive_stands_still() {
        let vehicle = Vehicle::van(100.0);
        let air = Air::new(10.0, 101.0, 3.0);
        let step = vehicle.advance(0.0, 0.0, &vehicle.road_load(0.0, 0.02, &air), 0.0, 0.01);
        assert_eq!((step.speed_m_s, step.distance_m), (0.0, 0.0));
    }
}
