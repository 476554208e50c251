//! The page, put together from its parts: one file that loads nothing.

use std::fmt::Write as _;

const PAGE: &str = include_str!("../../lab/page.html");
const STYLE: &str = include_str!("../../lab/style.css");
/// In the order in which they stand on the page.
const SCRIPTS: [&str; 8] = [
    include_str!("../../lab/backend.js"),
    include_str!("../../lab/values.js"),
    include_str!("../../lab/draw.js"),
    include_str!("../../lab/way.js"),
    include_str!("../../lab/pictures.js"),
    include_str!("../../lab/scrub.js"),
    include_str!("../../lab/lessons.js"),
    include_str!("../../lab/main.js"),
];

/// The page for the local server, which computes for it.
pub fn served() -> String {
    put_together("null", "connect-src 'self'")
}

/// The page that computes by itself: with the WebAssembly module of the lab's kernel in it.
pub fn alone(module: &[u8]) -> String {
    put_together(&format!("\"{}\"", base64(module)), "connect-src 'none'")
}

fn put_together(module: &str, connect: &str) -> String {
    let scripts: String = SCRIPTS.iter().fold(String::new(), |mut all, script| {
        // Writing to a String cannot fail.
        let _ = writeln!(all, "{script}");
        all
    });
    PAGE.replace("{{connect}}", connect)
        .replace("{{style}}", STYLE)
        .replace("{{scripts}}", &scripts)
        .replace("{{module}}", module)
}

/// RFC 4648, section 4.
fn base64(bytes: &[u8]) -> String {
    const ALPHABET: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let mut bits = 0u32;
        for i in 0..3 {
            bits = bits << 8 | u32::from(chunk.get(i).copied().unwrap_or(0));
        }
        for i in 0..4 {
            let six = (bits >> (18 - 6 * i) & 63) as usize;
            text.push(if i <= chunk.len() {
                char::from(ALPHABET[six])
            } else {
                '='
            });
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The vectors of RFC 4648, section 10.
    #[test]
    fn base64_is_that_of_the_standard() {
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }

    #[test]
    fn nothing_is_left_open_and_nothing_is_loaded() {
        for page in [served(), alone(b"\0asm")] {
            assert!(!page.contains("{{"), "a part is missing");
            for word in ["http://", "https://", "src=", "@import", "url(\""] {
                assert!(!page.contains(word), "{word}");
            }
        }
        assert!(alone(b"\0asm").contains("\"AGFzbQ==\""));
    }
}
