//! Where the sun stands, to part day from night.
//!
//! The low-accuracy formulas of Meeus, "Astronomical Algorithms" (2nd ed. 1998, chapter 25),
//! as the NOAA Global Monitoring Laboratory publishes them in its solar calculator; within
//! 0.01 degrees from 1950 to 2050, without refraction.

use jiff::Timestamp;

use crate::frame::LonLat;

/// Geometric altitude of the sun's centre at sunrise and sunset: refraction at the horizon
/// and half the sun's disc, in degrees.
pub const HORIZON_DEG: f64 = -0.833;

/// The sun at one instant, seen from one place.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Sun {
    /// Declination in degrees.
    pub declination_deg: f64,
    /// Equation of time in minutes: apparent less mean solar time.
    pub equation_of_time_min: f64,
    /// Altitude of the centre over the horizon in degrees, without refraction.
    pub altitude_deg: f64,
    /// Azimuth in degrees clockwise from true north.
    pub azimuth_deg: f64,
}

impl Sun {
    /// Where the sun stands at `when`, seen from `place`.
    pub fn at(when: Timestamp, place: LonLat) -> Sun {
        let seconds = when.as_millisecond() as f64 / 1000.0;
        let centuries = (seconds / 86_400.0 + 2_440_587.5 - 2_451_545.0) / 36_525.0;
        let (declination_deg, equation_of_time_min) = apparent(centuries);
        let minutes = seconds.rem_euclid(86_400.0) / 60.0;
        let solar_min = minutes + equation_of_time_min + 4.0 * place.lon_deg();
        let hour_angle = (solar_min / 4.0 - 180.0).to_radians();
        let (lat, dec) = (place.lat_deg().to_radians(), declination_deg.to_radians());
        let east = -dec.cos() * hour_angle.sin();
        let north = lat.cos() * dec.sin() - lat.sin() * dec.cos() * hour_angle.cos();
        let up = lat.sin() * dec.sin() + lat.cos() * dec.cos() * hour_angle.cos();
        Sun {
            declination_deg,
            equation_of_time_min,
            altitude_deg: up.atan2(east.hypot(north)).to_degrees(),
            azimuth_deg: east.atan2(north).to_degrees().rem_euclid(360.0),
        }
    }

    /// Whether any of its disc is over the horizon of level ground.
    pub fn is_up(&self) -> bool {
        self.altitude_deg > HORIZON_DEG
    }
}

/// Declination in degrees and equation of time in minutes, from Julian centuries since
/// J2000.0.
fn apparent(t: f64) -> (f64, f64) {
    let mean_longitude = (280.46646 + t * (36000.76983 + t * 0.0003032)).rem_euclid(360.0).to_radians();
    let anomaly = (357.52911 + t * (35999.05029 - 0.0001537 * t)).to_radians();
    let eccentricity = 0.016708634 - t * (0.000042037 + 0.0000001267 * t);
    let centre_deg = anomaly.sin() * (1.914602 - t * (0.004817 + 0.000014 * t))
        + (2.0 * anomaly).sin() * (0.019993 - 0.000101 * t)
        + (3.0 * anomaly).sin() * 0.000289;
    let node = (125.04 - 1934.136 * t).to_radians();
    let longitude = mean_longitude + (centre_deg - 0.00569 - 0.00478 * node.sin()).to_radians();
    let seconds = 21.448 - t * (46.815 + t * (0.00059 - t * 0.001813));
    let obliquity = (23.0 + (26.0 + seconds / 60.0) / 60.0 + 0.00256 * node.cos()).to_radians();
    let declination = (obliquity.sin() * longitude.sin()).asin();
    let y = (obliquity / 2.0).tan().powi(2);
    let equation = y * (2.0 * mean_longitude).sin() - 2.0 * eccentricity * anomaly.sin()
        + 4.0 * eccentricity * y * anomaly.sin() * (2.0 * mean_longitude).cos()
        - 0.5 * y * y * (4.0 * mean_longitude).sin()
        - 1.25 * eccentricity * eccentricity * (2.0 * anomaly).sin();
    (declination.to_degrees(), 4.0 * equation.to_degrees())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sun(utc: &str, lat: f64, lon: f64) -> Sun {
        Sun::at(utc.parse().unwrap(), LonLat::new(lon, lat).unwrap())
    }

    /// Reda & Andreas (2004), Solar Energy 76:577, the worked example of the solar position
    /// algorithm: zenith 50.11162 with refraction; 50.12795 without, and azimuth 194.34024,
    /// recomputed with ephem 4.2.1. The formulas here are good to 0.02 degrees.
    #[test]
    fn published_example_of_the_solar_position_algorithm() {
        let s = sun("2003-10-17T19:30:30Z", 39.742476, -105.1786);
        assert!((90.0 - s.altitude_deg - 50.12795).abs() < 0.02, "{s:?}");
        assert!((s.azimuth_deg - 194.34024).abs() < 0.02, "{s:?}");
    }

    /// The NOAA formulas evaluated by independent code to 1e-10 degrees, and pvlib 0.16.1's
    /// solar position algorithm beside them.
    #[test]
    fn noaa_formulas_and_full_algorithm() {
        // (utc, lat, lon, declination, equation of time, altitude, azimuth, full altitude, full azimuth)
        let cases = [
            (
                "2026-06-21T02:00:00Z",
                -30.5,
                151.65,
                23.43789150543224,
                -1.7336297150071365,
                36.04947877007362,
                358.6193874339285,
                36.047668538775845,
                358.6173139987942,
            ),
            (
                "2026-06-21T20:00:00Z",
                -30.5,
                151.65,
                23.43731851321346,
                -1.8967278325484338,
                -10.698965330625668,
                68.99208706295913,
                -10.699908730171922,
                68.9915088224754,
            ),
            (
                "2026-12-22T08:30:00Z",
                -30.5,
                151.65,
                -23.43690804984592,
                1.4995151611389514,
                4.0744088541921855,
                245.1134084591591,
                4.0692495065918965,
                245.11219974364138,
            ),
            (
                "2026-03-20T12:00:00Z",
                -23.7,
                133.88,
                -0.04329791416247382,
                -7.432990917156481,
                -37.78152512130811,
                250.04286333669353,
                -37.78163155953078,
                250.04110030016824,
            ),
            (
                "2026-01-15T22:00:00Z",
                -37.0,
                147.5,
                -20.98976284915191,
                -9.551909101834621,
                32.14158293188939,
                93.22369370213885,
                32.14256285771042,
                93.22242217927806,
            ),
        ];
        for (utc, lat, lon, dec, eot, alt, az, full_alt, full_az) in cases {
            let s = sun(utc, lat, lon);
            for (ours, theirs) in [
                (s.declination_deg, dec),
                (s.equation_of_time_min, eot),
                (s.altitude_deg, alt),
                (s.azimuth_deg, az),
            ] {
                assert!((ours - theirs).abs() < 1e-6, "{utc}: {ours} {theirs}");
            }
            assert!((s.altitude_deg - full_alt).abs() < 0.02 && (s.azimuth_deg - full_az).abs() < 0.02);
        }
    }

    /// Sunrise and sunset on a UTC date, solved with ephem 4.2.1 by bisection for a
    /// geometric altitude of -0.833 degrees: day begins and ends within 3 s of them.
    #[test]
    fn day_begins_at_sunrise_and_ends_at_sunset() {
        let cases = [
            ("2026-06-21T20:50:08Z", "2026-06-21T07:00:20Z", -30.5, 151.65),
            ("2026-12-22T18:48:34Z", "2026-12-22T08:55:26Z", -30.5, 151.65),
            ("2026-03-20T20:13:27Z", "2026-03-20T08:21:58Z", -37.0, 147.5),
            ("2026-09-01T21:14:53Z", "2026-09-01T08:53:40Z", -23.7, 133.88),
        ];
        for (rise, set, lat, lon) in cases {
            let place = LonLat::new(lon, lat).unwrap();
            let up = |text: &str, shift: i64| {
                let at: Timestamp = text.parse().unwrap();
                Sun::at(at + jiff::SignedDuration::from_secs(shift), place).is_up()
            };
            assert!(!up(rise, -3) && up(rise, 3), "sunrise {rise}");
            assert!(up(set, -3) && !up(set, 3), "sunset {set}");
        }
    }
}
