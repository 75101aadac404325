//! What every page of ours begins with: one file, nothing fetched, readable on a phone.

use maud::{DOCTYPE, Markup, PreEscaped, html};

/// A whole page. The style is taken as it is; title and content escape what needs it.
pub(crate) fn page(title: &str, style: &str, content: &Markup) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (PreEscaped(style)) }
            }
            body { main { (content) } }
        }
    }
    .into_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn titles_are_escaped_and_styles_are_not() {
        let page = page("a < b", "p > a {}", &html! { p { "x" } });
        assert!(page.contains("<title>a &lt; b</title><style>p > a {}</style>"), "{page}");
        assert!(page.ends_with("<body><main><p>x</p></main></body></html>"));
    }
}
