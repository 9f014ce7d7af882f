//! The metric frame and the ellipsoid against published worked examples.

use approx::assert_abs_diff_eq;
use geo_types::{MultiPolygon, polygon};
use stakeline::frame::{
    Frame, FrameError, GroundPoint, LonLat, System, azimuth_deg, destination, distance_m, polygons_area_m2,
    utm_epsg_of,
};

const MM: f64 = 0.001;

fn at(lat: f64, lon: f64) -> LonLat {
    LonLat::new(lon, lat).unwrap()
}

/// A place that a table gives in the datum of a grid system: GDA94 for 28348 to 28358.
fn at_in_datum_of(epsg: u32, lat: f64, lon: f64) -> LonLat {
    let geographic = if (28348..=28358).contains(&epsg) { 4283 } else { 4326 };
    let (lon, lat) = System::from_epsg(geographic).unwrap().to_lonlat_deg(lon, lat).unwrap();
    at(lat, lon)
}

/// Geodesics on WGS84: Karney (2013), documented examples of GeographicLib, recomputed
/// with 40-digit quadrature of the geodesic integrals (mpmath 1.4.1).
#[test]
fn geodesics_agree_with_karney() {
    let cases = [
        // lat1, lon1, lat2, lon2, distance m, azimuth at 1
        (-41.32, 174.81, 40.96, -5.5, 19959679.26735382, 161.06766998616015),
        (40.6, -73.8, 51.6, -0.5, 5551759.4003186785, 51.19888284557983),
        (0.0, 0.0, 0.5, 179.5, 19936288.578965314, 25.67187286829188),
        (-30.0, 150.0, -30.01, 150.01, 1469.5901295026963, 138.9675407582518),
        (-36.5, 147.0, -36.5, 147.0112, 1003.420325360325, 90.00333100761269),
    ];
    for (lat1, lon1, lat2, lon2, s12, azi1) in cases {
        let (a, b) = (at(lat1, lon1), at(lat2, lon2));
        assert_abs_diff_eq!(distance_m(a, b), s12, epsilon = 1e-7);
        assert_abs_diff_eq!(azimuth_deg(a, b), azi1, epsilon = 1e-8);
    }
    let far = destination(at(-32.06, 115.74), 225.0, 20_000_000.0);
    assert_abs_diff_eq!(far.lat_deg(), 32.11195529143165, epsilon = 1e-8);
    assert_abs_diff_eq!(far.lon_deg(), -63.95925278363718, epsilon = 1e-8);
}

/// Area of a 0.01° cell at 30° S: GeographicLib 2.1, recomputed by integrating the
/// ellipsoidal area element (mpmath).
#[test]
fn areas_are_those_of_the_ellipsoid() {
    let cell =
        polygon![(x: 150.0, y: -30.0), (x: 150.01, y: -30.0), (x: 150.01, y: -30.01), (x: 150.0, y: -30.01)];
    assert_abs_diff_eq!(polygons_area_m2(&MultiPolygon(vec![cell])), 1069521.1739573479, epsilon = 0.001);
}

/// Grid coordinates of Flinders Peak and Buninyong: sample data of the GDA Technical
/// Manual (ICSM); further zones: PROJ 9.5.1, recomputed with an exact transverse Mercator.
#[test]
fn projected_coordinates_agree_with_the_gda_manual() {
    let flinders_peak = (-37.95103341666667, 144.42486788888888);
    let buninyong = (-37.65282113888889, 143.92649552777777);
    let cases = [
        (28355, flinders_peak, 273741.2966, 5796489.7769),
        (28354, buninyong, 758173.7973, 5828674.3402),
        (28355, buninyong, 228854.0512527239, 5828259.038361376),
        (28354, flinders_peak, 800938.1216021725, 5794082.775742915),
        (7856, (-30.0, 150.0), 210590.3467623465, 6677424.095710545),
        (7855, (-35.0, 147.0), 500000.0, 6126956.935571456),
        (7854, (-36.0, 143.5), 725341.3432047346, 6013160.817131631),
        (7855, (-28.0, 149.999999), 795043.3901800336, 6899169.184361692),
    ];
    for (epsg, (lat, lon), easting, northing) in cases {
        let frame = Frame::from_epsg(epsg).unwrap();
        let place = at_in_datum_of(epsg, lat, lon);
        let p = frame.to_ground(place).unwrap();
        assert_abs_diff_eq!(p.x_m, easting, epsilon = MM);
        assert_abs_diff_eq!(p.y_m, northing, epsilon = MM);
        let back = frame.to_lonlat(p).unwrap();
        assert!(distance_m(back, place) < MM, "EPSG:{epsg} does not come back");
    }
}

/// Meridian convergence as PROJ signs it: same sources as the coordinates.
#[test]
fn convergence_turns_grid_bearings_into_true_ones() {
    let cases = [
        (28355, (-37.95103341666667, 144.42486788888888), 1.5843464562104652),
        (28354, (-37.65282113888889, 143.92649552777777), -1.7887112257117932),
        (7855, (-35.0, 147.0), 0.0),
    ];
    for (epsg, (lat, lon), convergence) in cases {
        let frame = Frame::from_epsg(epsg).unwrap();
        let p = frame.to_ground(at(lat, lon)).unwrap();
        assert_abs_diff_eq!(frame.convergence_deg(p).unwrap(), convergence, epsilon = 1e-4);
    }
}

/// The plane bearing of the manual's line and the geodesic azimuth differ by convergence
/// and arc-to-chord correction only.
#[test]
fn plane_bearing_and_distance_of_the_manuals_line() {
    let frame = Frame::from_epsg(28355).unwrap();
    let a = frame.to_ground(at_in_datum_of(28355, -37.95103341666667, 144.42486788888888)).unwrap();
    let b = frame.to_ground(at_in_datum_of(28355, -37.65282113888889, 143.92649552777777)).unwrap();
    assert_abs_diff_eq!(a.distance_m(b), 54992.279, epsilon = MM);
    assert_abs_diff_eq!(a.grid_bearing_deg(b), 305.28921805369083, epsilon = 1e-6);
}

#[test]
fn zones_are_those_of_the_place() {
    // Zone limits are those of the UTM system, 6 degrees from 180 W; the exceptions for
    // Norway and Svalbard are those of the military grid (from memory).
    assert_eq!(utm_epsg_of(at(-36.0, 148.0)), 32755);
    assert_eq!(utm_epsg_of(at(-19.05, -169.87)), 32702);
    assert_eq!(utm_epsg_of(at(36.05, 14.25)), 32633);
    assert_eq!(utm_epsg_of(at(60.0, 5.0)), 32632);
    assert_eq!(utm_epsg_of(at(78.0, 20.0)), 32633);
    assert_eq!(utm_epsg_of(at(0.0, 180.0)), 32601);
}

#[test]
fn systems_that_are_not_metric_are_refused() {
    assert!(matches!(Frame::from_epsg(4326), Err(FrameError::NotMetric { .. })));
    assert!(matches!(Frame::from_epsg(4978), Err(FrameError::NotMetric { .. })));
    assert!(matches!(Frame::from_epsg(2223), Err(FrameError::NotMetric { .. })), "feet");
    assert!(matches!(Frame::from_epsg(123_456), Err(FrameError::UnknownEpsg(123_456))));
    assert!(matches!(Frame::from_epsg(1), Err(FrameError::UnknownEpsg(1))));
}

#[test]
fn the_stated_scale_error_is_that_of_the_projection() {
    // Point scale at Flinders Peak in zone 55: 1.0002305585893096 (PROJ 9.5.1).
    let frame = Frame::from_epsg(28355).unwrap();
    let error = frame.scale_error(&[at(-37.95103341666667, 144.42486788888888)]).unwrap();
    assert_abs_diff_eq!(error.worst, 0.0002305585893096, epsilon = 1e-7);
}

#[test]
fn a_place_out_of_reach_is_an_error_and_no_nonsense() {
    let frame = Frame::from_epsg(32755).unwrap();
    // Away from the zone in steps of a degree, to the other side of the globe: whatever is given comes
    // back to the same place, near it everything is given, and what is not given is refused as out of reach.
    let (mut given, mut refused) = (0, 0);
    for step in 0..=180 {
        let place = at(35.0, (147.0 + f64::from(step) + 180.0).rem_euclid(360.0) - 180.0);
        match frame.to_ground(place) {
            Ok(p) => {
                given += 1;
                let back = frame.to_lonlat(p).unwrap();
                assert!(distance_m(back, place) < 1.0, "{step} degrees from the zone: {p:?}");
            }
            Err(why) => {
                refused += 1;
                assert!(step > 30, "{step} degrees from the zone: {why}");
            }
        }
    }
    assert!(given > 30, "{given} given, {refused} refused");
    assert!(frame.to_lonlat(GroundPoint::new(f64::NAN, 0.0)).is_err());
}

/// Alice Springs (ALIC) in GDA94 and GDA2020: worked example of the GDA2020 Technical Manual
/// (ICSM), section 3.1.1, geocentric; turned to longitude and latitude on GRS80 (closed form).
#[test]
fn gda94_comes_to_gda2020_by_the_seven_published_parameters() {
    let (lon94, lat94) = geographic(-4052051.7643, 4212836.2017, -2545106.0245);
    let (lon20, lat20) = geographic(-4052052.7379, 4212835.9897, -2545104.5898);
    let (lon, lat) = System::from_epsg(4283).unwrap().to_lonlat_deg(lon94, lat94).unwrap();
    assert!(distance_m(at(lat, lon), at(lat20, lon20)) < MM);
    let apart = distance_m(at(lat94, lon94), at(lat20, lon20));
    assert!((1.4..1.8).contains(&apart), "{apart}");
}

/// Flinders Peak from GDA94 to GDA2020: PROJ 9.8, "GDA94 to GDA2020 (1)".
#[test]
fn gda94_agrees_with_proj() {
    let (lon, lat) =
        System::from_epsg(4283).unwrap().to_lonlat_deg(144.42486788888888, -37.95103341666667).unwrap();
    assert!(distance_m(at(lat, lon), at(-37.951020218729184, 144.42487390469094)) < MM);
    let apart = distance_m(at(lat, lon), at(-37.95103341666667, 144.42486788888888));
    assert_abs_diff_eq!(apart, 1.556, epsilon = 0.005);
    // The published grid coordinates (ICSM manual) come to the same place.
    let mga = System::from_epsg(28355).unwrap();
    let (lon_grid, lat_grid) = mga.to_lonlat_deg(273741.2966, 5796489.7769).unwrap();
    assert!(distance_m(at(lat, lon), at(lat_grid, lon_grid)) < MM);
}

/// NZTM2000 at the three grid points that Land Information New Zealand gives as samples with its
/// conversion program (nztm.zip; its places have six decimals, from memory), to the millimetre by
/// PROJ 9.5.1, EPSG:2193 to EPSG:4167.
#[test]
fn nztm2000_agrees_with_its_publisher_and_proj() {
    let nztm = System::from_epsg(2193).unwrap();
    let frame = Frame::from_epsg(2193).unwrap();
    for ((east, north), (lat, lon), sample) in [
        ((1576041.15, 6188574.24), (-34.4440659910461, 172.73919396739416), (-34.444066, 172.739194)),
        ((1576542.01, 5515331.05), (-40.51240897977472, 172.72310596753564), (-40.512409, 172.723106)),
        ((1307103.22, 4826464.86), (-46.65129501218947, 169.17206200800567), (-46.651295, 169.172062)),
    ] {
        let (lon_found, lat_found) = nztm.to_lonlat_deg(east, north).unwrap();
        assert!(distance_m(at(lat_found, lon_found), at(lat, lon)) < MM);
        assert!((lat_found - sample.0).abs() < 5e-7 && (lon_found - sample.1).abs() < 5e-7);
        let ground = frame.to_ground(at(lat, lon)).unwrap();
        assert_abs_diff_eq!(ground.x_m, east, epsilon = MM);
        assert_abs_diff_eq!(ground.y_m, north, epsilon = MM);
    }
}

/// Systems that are WGS84 for our purpose come to it to the millimetre; same grid values as
/// above.
#[test]
fn inputs_come_back_from_their_grids() {
    for (epsg, (x, y), (lat, lon)) in [
        (7856, (210590.3467623465, 6677424.095710545), (-30.0, 150.0)),
        (7854, (725341.3432047346, 6013160.817131631), (-36.0, 143.5)),
        (32755, (500000.0, 6126956.935571456), (-35.0, 147.0)),
    ] {
        let (lon_found, lat_found) = System::from_epsg(epsg).unwrap().to_lonlat_deg(x, y).unwrap();
        assert!(distance_m(at(lat_found, lon_found), at(lat, lon)) < MM, "EPSG:{epsg}");
    }
    for epsg in [4326, 7844, 4167, 4258, 4269] {
        assert!(System::from_epsg(epsg).unwrap().is_lonlat(), "EPSG:{epsg}");
    }
}

#[test]
fn datums_that_need_a_grid_are_refused_by_name() {
    for (epsg, name) in [
        (20255, "AGD66"),
        (4202, "AGD66"),
        (20355, "AGD84"),
        (27200, "NZGD49"),
        (4272, "NZGD49"),
        (26711, "NAD27"),
        (27700, "OSGB36"),
    ] {
        let why = System::from_epsg(epsg).err().unwrap().to_string();
        assert!(why.contains(name) && why.contains("grid") || why.contains("OSTN15"), "EPSG:{epsg}: {why}");
        assert!(Frame::from_epsg(epsg).is_err(), "EPSG:{epsg}");
    }
}

/// Descriptions as `.prj` files and GDAL carry them; the points are those of the tests above.
#[test]
fn descriptions_are_read() {
    let esri = r#"PROJCS["GDA_1994_MGA_Zone_55",GEOGCS["GCS_GDA_1994",DATUM["D_GDA_1994",SPHEROID["GRS_1980",6378137.0,298.257222101]],PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]],PROJECTION["Transverse_Mercator"],PARAMETER["False_Easting",500000.0],PARAMETER["False_Northing",10000000.0],PARAMETER["Central_Meridian",147.0],PARAMETER["Scale_Factor",0.9996],PARAMETER["Latitude_Of_Origin",0.0],UNIT["Meter",1.0]]"#;
    let (lon, lat) = System::from_wkt(esri).unwrap().to_lonlat_deg(273741.2966, 5796489.7769).unwrap();
    assert!(distance_m(at(lat, lon), at(-37.951020218729184, 144.42487390469094)) < MM);
    let coded = r#"PROJCS["GDA2020 / MGA zone 55",GEOGCS["GDA2020",DATUM["GDA2020",SPHEROID["GRS 1980",6378137,298.257222101,AUTHORITY["EPSG","7019"]],AUTHORITY["EPSG","1168"]],UNIT["degree",0.0174532925199433],AUTHORITY["EPSG","7844"]],PROJECTION["Transverse_Mercator"],PARAMETER["latitude_of_origin",0],PARAMETER["central_meridian",147],PARAMETER["scale_factor",0.9996],PARAMETER["false_easting",500000],PARAMETER["false_northing",10000000],UNIT["metre",1],AUTHORITY["EPSG","7855"]]"#;
    assert_eq!(System::from_wkt(coded).unwrap().name(), "EPSG:7855");
    let wgs84 = r#"GEOGCS["GCS_WGS_1984",DATUM["D_WGS_1984",SPHEROID["WGS_1984",6378137.0,298.257223563]],PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]]"#;
    assert!(System::from_wkt(wgs84).unwrap().is_lonlat());
    let agd = esri.replace("D_GDA_1994", "D_Australian_1984");
    assert!(System::from_wkt(&agd).err().unwrap().to_string().contains("AGD84"));
    let odd = esri.replace("D_GDA_1994", "D_Mars").replace("6378137.0", "3396190.0");
    assert!(System::from_wkt(&odd).err().unwrap().to_string().contains("D_Mars"));
    assert!(System::from_wkt("nothing").is_err());
}

/// Longitude and latitude on GRS80 of a geocentric point: Bowring (1976), exact here to well
/// under a micrometre.
fn geographic(x: f64, y: f64, z: f64) -> (f64, f64) {
    let (a, f) = (6_378_137.0_f64, 1.0 / 298.257_222_101);
    let (b, e2) = (a * (1.0 - f), f * (2.0 - f));
    let p = x.hypot(y);
    let t = (z * a).atan2(p * b);
    let lat = (z + e2 / (1.0 - e2) * b * t.sin().powi(3)).atan2(p - e2 * a * t.cos().powi(3));
    (y.atan2(x).to_degrees(), lat.to_degrees())
}

/// Every system of the EPSG registry that is read, at the middle of its area, against PROJ:
/// golden/systems/make_golden.py. One that is off by more is refused.
#[test]
fn every_system_that_is_read_agrees_with_proj() {
    let table = include_str!("golden/systems/systems.csv");
    let (mut read, mut off) = (0, Vec::new());
    for row in table.lines() {
        let numbers: Vec<f64> = row.split(',').map(|n| n.parse().unwrap()).collect();
        let [code, x, y, lon, lat, accuracy_m] = numbers[..] else { panic!("{row}") };
        let Ok(system) = System::from_epsg(code as u32) else { continue };
        read += 1;
        let found = system.to_lonlat_deg(x, y).ok().and_then(|(lon, lat)| LonLat::new(lon, lat).ok());
        let apart = found.map_or(f64::INFINITY, |found| distance_m(found, at(lat, lon)));
        if apart > 5.0 {
            off.push(format!("EPSG:{code}: {apart:.1} m (the registry's way is good to {accuracy_m} m)"));
        }
    }
    assert!(read > 3000, "{read}");
    assert!(off.is_empty(), "{} of {read}:\n{}", off.len(), off.join("\n"));
}
