//! Text made safe for markup.

use crate::base::text::shown;

/// Text from anywhere, made safe for HTML and XML, in elements and in quoted attributes. What is not plain ([`crate::base::text::is_plain`]), all that XML
/// forbids among it, is shown as `\u{..}`.
pub fn escape(text: &str) -> String {
    let text = shown(text);
    let mut safe = String::with_capacity(text.len() + text.len() / 8);
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            c => safe.push(c),
        }
    }
    safe
}

#[cfg(test)]
mod tests {
    #[test]
    fn nothing_that_means_something_stays() {
        assert_eq!(
            super::escape("<a href='x'>&\"\u{202E}\u{0}"),
            "&lt;a href=&#39;x&#39;&gt;&amp;&quot;\\u{202e}\\u{0}"
        );
    }
}
