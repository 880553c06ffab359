//! Text made safe: for markup, and for data inside a script element.

/// A text as it may stand between tags and in quoted attributes.
pub(super) fn text(raw: &str) -> String {
    let mut out = String::with_capacity(raw.len());
    for c in raw.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            // Not a character of XML 1.0 (section 2.2), and nothing that one sees.
            '\u{0}'..='\u{8}' | '\u{b}' | '\u{c}' | '\u{e}'..='\u{1f}' => out.push('\u{fffd}'),
            '\u{fffe}' | '\u{ffff}' => out.push('\u{fffd}'),
            _ => out.push(c),
        }
    }
    out
}

/// JSON as it may stand in a script element: no tag, no comment and no reference can begin in it.
pub(super) fn json(value: &serde_json::Value) -> String {
    let escape = |c: char| match c {
        '&' => "\\u0026",
        '<' => "\\u003c",
        '>' => "\\u003e",
        // Not characters of XML, and JSON leaves them as they are.
        '\u{fffe}' | '\u{ffff}' => "\\ufffd",
        _ => "",
    };
    let mut out = String::new();
    for c in value.to_string().chars() {
        match escape(c) {
            "" => out.push(c),
            escaped => out.push_str(escaped),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_stay_names() {
        let name = "Bridge <1> & \"weir\" 'x'\u{1}";
        let safe = "Bridge &lt;1&gt; &amp; &quot;weir&quot; &#39;x&#39;\u{fffd}";
        assert_eq!(text(name), safe);
    }

    #[test]
    fn data_cannot_end_its_script() {
        let value = serde_json::json!({ "</script><!--": "]]>&" });
        let safe = json(&value);
        assert!(!safe.contains(['<', '>', '&']), "{safe}");
        assert_eq!(serde_json::from_str::<serde_json::Value>(&safe).expect("JSON"), value);
    }
}
