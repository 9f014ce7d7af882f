//! Statistics of directions.

/// The circular mean of directions.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct CircularMean {
    /// Mean direction in degrees, in 0..360; `None` where directions cancel out.
    pub mean_deg: Option<f64>,
    /// Mean resultant length, in 0..=1.
    pub resultant: f64,
}

/// Below this resultant a mean direction is rounding noise: the resultant of opposite
/// directions comes out near 6e-17, not 0.
const CANCELLED: f64 = 1e-12;

/// Circular mean (Mardia & Jupp 2000, section 2.2) of directions in degrees.
/// No directions give a resultant of 0 and no mean.
pub fn circular_mean(directions_deg: &[f64]) -> CircularMean {
    let n = directions_deg.len().max(1) as f64;
    let east: f64 = directions_deg.iter().map(|d| d.to_radians().sin()).sum();
    let north: f64 = directions_deg.iter().map(|d| d.to_radians().cos()).sum();
    let resultant = east.hypot(north) / n;
    let mean_deg = (resultant >= CANCELLED).then(|| east.atan2(north).to_degrees().rem_euclid(360.0));
    CircularMean { mean_deg, resultant }
}

/// The mean of wind vectors.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct VectorMean {
    /// Where the mean wind comes FROM, degrees clockwise from true north.
    pub from_deg: f64,
    /// Speed of the mean wind in metres per second.
    pub speed_m_s: f64,
    /// Speed of the mean wind over the mean speed, in 0..=1; 0 without wind.
    pub steadiness: f64,
}

/// The mean of wind vectors given as (from degrees, metres per second).
pub fn vector_mean(readings: &[(f64, f64)]) -> VectorMean {
    let n = readings.len().max(1) as f64;
    let u = readings.iter().map(|(d, s)| -s * d.to_radians().sin()).sum::<f64>() / n;
    let v = readings.iter().map(|(d, s)| -s * d.to_radians().cos()).sum::<f64>() / n;
    let mean_speed = readings.iter().map(|(_, s)| s).sum::<f64>() / n;
    let speed_m_s = u.hypot(v);
    let steadiness = if mean_speed > 0.0 { speed_m_s / mean_speed } else { 0.0 };
    VectorMean { from_deg: (-u).atan2(-v).to_degrees().rem_euclid(360.0), speed_m_s, steadiness }
}

/// The sector that holds a direction: `sectors` of equal width clockwise, the first centred
/// on north, each with its lower edge.
pub fn sector(direction_deg: f64, sectors: usize) -> usize {
    let width = 360.0 / sectors.max(1) as f64;
    (((direction_deg + width / 2.0).rem_euclid(360.0) / width) as usize).min(sectors.max(1) - 1)
}

/// How often the wind came from each of 16 sectors.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Rose {
    /// Hours from each sector, clockwise, the first centred on north; calm hours left out.
    pub hours: [f64; 16],
    /// Calm hours.
    pub calm: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(a: f64, b: f64, by: f64) {
        assert!((a - b).abs() <= by, "{a} {b}");
    }

    /// The roulette data of Mardia & Jupp (2000), "Directional Statistics", chapter 2:
    /// published mean 51 degrees, resultant 0.711 (from memory); computed with mpmath 1.4.1.
    #[test]
    fn roulette_example() {
        let mean = circular_mean(&[43.0, 45.0, 52.0, 61.0, 75.0, 88.0, 88.0, 279.0, 357.0]);
        near(mean.mean_deg.unwrap(), 51.05017710854995, 1e-9);
        near(mean.resultant, 0.7109909988631772, 1e-9);
    }

    #[test]
    fn means_wrap_and_opposites_cancel() {
        let mean = circular_mean(&[350.0, 10.0]);
        let angle = mean.mean_deg.unwrap();
        assert!(angle.min(360.0 - angle) < 1e-9);
        near(mean.resultant, 0.984807753012208, 1e-12);
        assert_eq!(circular_mean(&[0.0, 180.0]).mean_deg, None);
    }

    /// WMO convention, recomputed with complex arithmetic.
    #[test]
    fn wind_vectors() {
        let from = [350.0, 10.0, 20.0, 95.0, 180.0, 265.0, 355.0, 5.0];
        let speed = [2.0, 3.0, 1.0, 4.0, 2.0, 5.0, 6.0, 0.2];
        let readings: Vec<(f64, f64)> = from.into_iter().zip(speed).collect();
        let mean = vector_mean(&readings);
        near(mean.from_deg, 353.91911610808086, 1e-9);
        near(mean.speed_m_s, 1.1635137971409348, 1e-9);
        near(mean.steadiness, 0.40121165418652927, 1e-9);
        assert_eq!(from.map(|d| sector(d, 8)), [0, 0, 0, 2, 4, 6, 0, 0]);
        assert_eq!(from.map(|d| sector(d, 16)), [0, 0, 1, 4, 8, 12, 0, 0]);
    }

    #[test]
    fn sectors_hold_their_lower_edge() {
        let edges = [11.25, 11.249, 348.75, 348.749, 360.0, 0.0];
        assert_eq!(edges.map(|d| sector(d, 16)), [1, 0, 0, 15, 0, 0]);
    }
}
