//! Text made safe for markup.

use crate::human;

/// Text from anywhere, made safe for HTML and XML, in elements and in quoted attributes. Control characters and those that
/// turn the direction of writing are shown as `\u{..}`, so that a name cannot pass for another.
pub fn escape(text: &str) -> String {
    let text = human::name(text);
    let mut safe = String::with_capacity(text.len() + text.len() / 8);
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            // Not characters of XML 1.0 (W3C Recommendation, 2.2).
            '\u{FFFE}' | '\u{FFFF}' => safe.push('\u{FFFD}'),
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
