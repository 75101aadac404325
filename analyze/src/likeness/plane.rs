//! Latitude and longitude as metres on a plane, for tracks that stay near each other.

/// Equatorial radius of WGS 84, m.
const A_M: f64 = 6_378_137.0;
/// First eccentricity squared of WGS 84.
const E2: f64 = 6.694_379_990_141_32e-3;

/// A place on the ellipsoid WGS 84.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fix {
    /// Latitude, degrees north.
    pub lat_deg: f64,
    /// Longitude, degrees east.
    pub lon_deg: f64,
}

/// A place on the plane, m.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// To the east of the origin.
    pub east_m: f64,
    /// To the north of the origin.
    pub north_m: f64,
}

/// A plane that touches the ellipsoid at a place.
///
/// # Formula
/// Equirectangular, with the radii of curvature at the origin: `north = M(φ₀) Δφ`, `east = N(φ₀) cos φ₀ Δλ`,
/// `M = a (1 − e²) / (1 − e² sin² φ)^{3/2}`, `N = a / (1 − e² sin² φ)^{1/2}` (Torge, Müller: Geodesy, from memory).
/// Both tracks lie on the same plane, so that places which agree still do; what is wrong is the scale to the east,
/// by `tan φ₀ · Δφ` at most: 50 km north of an origin at 60° by 1.4 %, which is 0.4 m on 30 m.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plane {
    origin: Fix,
    north_m_per_rad: f64,
    east_m_per_rad: f64,
}

impl Plane {
    /// The plane that touches at a place.
    pub fn at(origin: Fix) -> Self {
        let (sin, cos) = origin.lat_deg.to_radians().sin_cos();
        let w = 1.0 - E2 * sin * sin;
        Self { origin, north_m_per_rad: A_M * (1.0 - E2) / w.powf(1.5), east_m_per_rad: A_M / w.sqrt() * cos }
    }

    /// A fix on this plane. The shorter way round the earth counts.
    pub fn place(&self, fix: Fix) -> Place {
        let turn = fix.lon_deg - self.origin.lon_deg;
        let east_deg = turn - 360.0 * (turn / 360.0).round();
        Place {
            east_m: self.east_m_per_rad * east_deg.to_radians(),
            north_m: self.north_m_per_rad * (fix.lat_deg - self.origin.lat_deg).to_radians(),
        }
    }
}

/// Distance between two near fixes, m: on the plane that touches half way between them.
pub fn distance_m(a: Fix, b: Fix) -> f64 {
    let middle = Fix { lat_deg: (a.lat_deg + b.lat_deg) / 2.0, lon_deg: a.lon_deg };
    let place = Plane::at(middle).place(b);
    let start = Plane::at(middle).place(a);
    (place.east_m - start.east_m).hypot(place.north_m - start.north_m)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fix(lat_deg: f64, lon_deg: f64) -> Fix {
        Fix { lat_deg, lon_deg }
    }

    /// 52.0000, 4.0000 to 52.0090, 4.0000: 1001.407 m, computed with geographiclib 2.1. The other way, east at 52°, is
    /// that of pyproj 3.7.2 (`Geod(ellps="WGS84").inv`) to a millimetre.
    #[test]
    fn short_hops_are_those_of_the_ellipsoid() {
        assert!((distance_m(fix(52.0, 4.0), fix(52.009, 4.0)) - 1001.407).abs() < 0.001);
        assert!((distance_m(fix(52.0, 4.0), fix(52.0, 4.0146)) - EAST_M).abs() < 0.001);
    }

    const EAST_M: f64 = 1002.699;

    /// Over the date line it is as far as anywhere else: 0.001° at the equator are 111.319 m (a degree of longitude at
    /// the equator of WGS 84 is 111,319.491 m).
    #[test]
    fn the_date_line_is_no_border() {
        assert!((distance_m(fix(0.0, 179.9995), fix(0.0, -179.9995)) - 111.319_491).abs() < 1e-5);
    }

    /// The error that is stated: 100 m to the east, 50 km north of an origin at 60°, are off by less than 1.5 %.
    #[test]
    fn the_scale_fifty_kilometres_away_is_as_stated() {
        let plane = Plane::at(fix(60.0, -2.0));
        let (a, b) = (fix(60.448_8, -2.0), fix(60.448_8, -1.998_19));
        let (on_plane, true_m) = (plane.place(b).east_m - plane.place(a).east_m, distance_m(a, b));
        assert!((on_plane / true_m - 1.0).abs() < 0.015, "{on_plane} m for {true_m} m");
        assert!((on_plane / true_m - 1.0).abs() > 0.012, "the statement is no wider than the error");
    }
}
