//! QR codes with a geo URI (RFC 5870), which a phone opens in its map.

use std::fmt::Write as _;

use qrcodegen::{QrCode, QrCodeEcc};

use crate::frame::LonLat;

/// The geo URI of a place, with six decimals: latitude first, as the standard has it.
pub fn geo_uri(at: LonLat) -> String {
    format!("geo:{:.6},{:.6}", at.lat_deg(), at.lon_deg())
}

/// The code as SVG, with the quiet margin of four modules that the standard (ISO/IEC 18004)
/// asks for. Empty for text too long for any code, which no geo URI is.
pub fn qr_svg(text: &str) -> String {
    let Ok(code) = QrCode::encode_text(text, QrCodeEcc::Medium) else { return String::new() };
    let side = code.size() + 8;
    let mut path = String::new();
    for y in 0..code.size() {
        for x in (0..code.size()).filter(|&x| code.get_module(x, y)) {
            let _ = write!(path, "M{} {}h1v1h-1z", x + 4, y + 4);
        }
    }
    format!(
        "<svg viewBox=\"0 0 {side} {side}\" role=\"img\" aria-label=\"{text}\" shape-rendering=\"crispEdges\"><rect width=\"{side}\" height=\"{side}\" fill=\"#fff\"/><path d=\"{path}\" fill=\"#000\"/></svg>"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn latitude_comes_first() {
        assert_eq!(geo_uri(LonLat::new(146.25, -37.5).unwrap()), "geo:-37.500000,146.250000");
    }

    #[test]
    fn a_code_has_its_three_finder_marks_and_its_margin() {
        let svg = qr_svg("geo:-37.500000,146.250000");
        // 25 characters at medium correction need version 2: 25 modules and 8 of margin.
        assert!(svg.starts_with("<svg viewBox=\"0 0 33 33\""), "{}", &svg[..40]);
        for corner in ["M4 4h1", "M28 4h1", "M4 28h1"] {
            assert!(svg.contains(corner), "{corner}");
        }
        assert!(!svg.contains("M3 4h1"));
    }
}
