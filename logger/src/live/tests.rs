//! What the page's own text promises, and how well it can be read.

use super::*;

const STYLE: &str = include_str!("page/live.css");
const PAGE: &str = include_str!("page/live.html");
const SCRIPT: &str = include_str!("page/live.js");

/// Relative luminance of an sRGB colour `#rrggbb`.
///
/// # Formula
/// `L = 0.2126 R + 0.7152 G + 0.0722 B` with `C = c/12.92` below 0.03928 and `((c + 0.055)/1.055)^2.4` above
/// (W3C, Web Content Accessibility Guidelines 2.x, definition of relative luminance; from memory).
fn luminance(colour: &str) -> f64 {
    let channel = |at: usize| {
        let c = f64::from(u8::from_str_radix(&colour[at..at + 2], 16).expect("hexadecimal digits")) / 255.0;
        if c <= 0.03928 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    };
    0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
}

/// `(L1 + 0.05) / (L2 + 0.05)`, the lighter first (same source).
fn contrast(one: &str, other: &str) -> f64 {
    let (a, b) = (luminance(one), luminance(other));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

/// Black on white is 21:1 by definition; #767676 is known as the lightest grey that passes 4.5:1 on white (from memory).
#[test]
fn contrast_is_computed_as_published() {
    assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
    assert!((contrast("#767676", "#ffffff") - 4.54).abs() < 0.005);
    assert!(contrast("#777777", "#ffffff") < 4.5);
}

/// The variables of each palette in the style: light, dark by the device, dark by choice.
fn palettes() -> Vec<Vec<(String, String)>> {
    let blocks = STYLE.split(" color-scheme:").skip(1).map(|block| block.split('}').next().unwrap_or_default());
    let variable = |line: &str| {
        let (name, value) = line.trim().strip_prefix("--")?.split_once(':')?;
        Some((name.to_owned(), value.trim().trim_end_matches(';').to_owned()))
    };
    blocks.map(|block| block.lines().filter_map(variable).collect()).collect()
}

/// 7:1 is the strictest level of the W3C guidelines (AAA, normal text); sunlight asks for no less. Secondary text gets AAA too.
#[test]
fn every_text_can_be_read_in_the_sun_and_at_night() {
    let palettes = palettes();
    assert_eq!(palettes.len(), 3);
    assert_eq!(palettes[1], palettes[2], "dark is dark however it was chosen");
    for palette in &palettes {
        let colour = |name: &str| &palette.iter().find(|(n, _)| n == name).expect("a variable").1;
        for (text, ground) in [
            ("ink", "ground"),
            ("ink", "tile"),
            ("dim", "ground"),
            ("dim", "tile"),
            ("ground", "ink"),
            ("on-deed", "deed"),
            ("on-grave", "grave"),
            ("on-warn", "warn"),
            ("on-note", "note"),
        ] {
            let found = contrast(colour(text), colour(ground));
            assert!(found >= 7.0, "{text} on {ground}: {found:.2}");
        }
    }
}

#[test]
fn the_page_says_what_it_is_and_asks_nobody_else() {
    for promise in [
        "Passenger only. The driver watches the road.",
        "This is not a safety device.",
        "It has no way to change anything on the vehicle.",
    ] {
        assert!(PAGE.contains(promise), "{promise}");
    }
    for text in [PAGE, STYLE, SCRIPT] {
        assert!(!text.contains("http://") && !text.contains("https://") && !text.contains("@import"));
    }
    assert!(!SCRIPT.contains("innerHTML") && !SCRIPT.contains("eval("), "text is never markup or code");
    assert!(!STYLE.contains("animation") && !STYLE.contains("transition"), "nothing moves");
}

#[test]
fn only_a_loopback_address_goes_without_a_token() {
    let open = Server::bind(SocketAddr::from(([127, 0, 0, 1], 0))).expect("a free port");
    assert!(open.token().is_none() && open.notice().ends_with("(on this computer only)"));
    assert_eq!(open.url(), format!("http://{}/", open.address()));
    let closed = Server::bind(SocketAddr::from(([0, 0, 0, 0], 0))).expect("a free port");
    let token = closed.token().expect("a token").text().to_owned();
    assert!(closed.url().ends_with(&format!(":{}/?token={token}", closed.address().port())));
    assert!(closed.notice().contains("Whoever has this address"), "{}", closed.notice());
}

#[test]
fn an_address_in_use_is_named() {
    let first = Server::bind(SocketAddr::from(([127, 0, 0, 1], 0))).expect("a free port");
    let error = Server::bind(first.address()).expect_err("in use").to_string();
    assert!(error.starts_with(&format!("listen on {}", first.address())), "{error}");
}
