//! Header cards and their values, as liberal in reading as frames in use ask for.
//!
//! FITS Standard 4.0 (2018), section 4: a card is 80 characters, its value begins
//! at column 11, a string stands in quotes, the comment follows a slash.

/// One header card.
#[derive(Debug, Clone, PartialEq)]
pub struct Card {
    pub key: String,
    /// The value without quotes, trimmed; empty where there is none.
    pub value: String,
    /// The value stood in quotes.
    pub quoted: bool,
    pub comment: String,
}

/// The cards of one header, in order, without the END card.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Header {
    pub cards: Vec<Card>,
}

/// Bytes of a card.
pub const CARD: usize = 80;

impl Card {
    /// Reads 80 bytes; None for a blank card.
    pub fn parse(bytes: &[u8]) -> Option<Card> {
        let text: String =
            bytes.iter().map(|&b| if (32..127).contains(&b) { b as char } else { ' ' }).collect();
        if text.trim().is_empty() {
            return None;
        }
        let (key, rest) = if text.starts_with("HIERARCH ") && text.contains('=') {
            let at = text.find('=').unwrap_or(8);
            (text[9..at.max(9)].trim(), &text[at + 1..])
        } else if text.get(8..9) == Some("=") {
            (text[..8].trim(), &text[9..])
        } else {
            let value = text.get(8..).unwrap_or("").trim().to_string();
            let key = text.get(..8).unwrap_or("").trim().to_uppercase();
            return Some(Card { key, value: String::new(), quoted: false, comment: value });
        };
        let (value, quoted, comment) = split_value(rest);
        Some(Card { key: key.to_uppercase(), value, quoted, comment })
    }

    /// The value as a number: with or without quotes, with a D exponent, a leading
    /// plus, or a unit behind it (`'11 C'`).
    pub fn number(&self) -> Option<f64> {
        let first = self.value.split_whitespace().next()?;
        let rest = self.value[self.value.find(first)? + first.len()..].trim();
        if rest.contains(|c: char| c.is_ascii_digit()) {
            return None;
        }
        parse_number(first)
    }

    /// The value as text, None if blank.
    pub fn text(&self) -> Option<&str> {
        Some(self.value.as_str()).filter(|t| !t.is_empty())
    }
}

/// A finite number in FITS form, None otherwise.
pub fn parse_number(text: &str) -> Option<f64> {
    if !text.contains(|c: char| c.is_ascii_digit()) {
        return None;
    }
    let plain = text.replace(['D', 'd'], "E");
    plain.parse::<f64>().ok().filter(|v| v.is_finite())
}

/// Splits what follows the value indicator in value, quoted or not, and comment.
fn split_value(rest: &str) -> (String, bool, String) {
    let trimmed = rest.trim_start();
    if !trimmed.starts_with('\'') {
        let (value, comment) = trimmed.split_once('/').unwrap_or((trimmed, ""));
        return (value.trim().to_string(), false, comment.trim().to_string());
    }
    let mut value = String::new();
    let mut characters = trimmed[1..].char_indices().peekable();
    let mut end = trimmed.len();
    while let Some((at, c)) = characters.next() {
        if c != '\'' {
            value.push(c);
        } else if characters.peek().map(|p| p.1) == Some('\'') {
            value.push('\'');
            characters.next();
        } else {
            end = at + 2;
            break;
        }
    }
    let comment = trimmed.get(end..).unwrap_or("").trim().trim_start_matches('/').trim();
    (value.trim().to_string(), true, comment.to_string())
}

impl Header {
    /// Reads a run of 80-byte cards up to END. Strings over CONTINUE are joined.
    pub fn parse(bytes: &[u8]) -> Header {
        let mut cards: Vec<Card> = Vec::new();
        for chunk in bytes.chunks_exact(CARD) {
            if is_end(chunk) {
                break;
            }
            let Some(card) = Card::parse(chunk) else { continue };
            match cards.last_mut() {
                Some(last) if card.key == "CONTINUE" && last.quoted && last.value.ends_with('&') => {
                    let (value, _, comment) = split_value(&String::from_utf8_lossy(&chunk[8..]));
                    last.value.pop();
                    last.value.push_str(&value);
                    last.comment.push_str(&comment);
                }
                _ => cards.push(card),
            }
        }
        Header { cards }
    }

    /// The first card of this name.
    pub fn card(&self, key: &str) -> Option<&Card> {
        self.cards.iter().find(|c| c.key.eq_ignore_ascii_case(key))
    }

    pub fn number(&self, key: &str) -> Option<f64> {
        self.card(key)?.number()
    }

    /// A whole number; None where it has a fraction or is too large to be exact.
    pub fn integer(&self, key: &str) -> Option<i64> {
        let card = self.card(key)?;
        let value = card.value.trim_start_matches('+');
        value
            .parse::<i64>()
            .ok()
            .or_else(|| card.number().filter(|v| v.fract() == 0.0 && v.abs() < 9.0e15).map(|v| v as i64))
    }

    pub fn text(&self, key: &str) -> Option<&str> {
        self.card(key)?.text()
    }

    /// This header with the cards of `parent` behind it: what stands here wins.
    pub fn with_parent(&self, parent: &Header) -> Header {
        let mut cards = self.cards.clone();
        cards.extend(parent.cards.iter().filter(|c| self.card(&c.key).is_none()).cloned());
        Header { cards }
    }
}

/// The END card: the three letters and blanks.
pub fn is_end(card: &[u8]) -> bool {
    card.starts_with(b"END") && card[3..].iter().all(|&b| b == b' ')
}

/// Degrees from `dd:mm:ss.s`, `dd mm ss`, `+dd.ddd` or `dd mm`; a sign in front
/// counts for the whole.
pub fn sexagesimal(text: &str) -> Option<f64> {
    let text = text.trim();
    let negative = text.starts_with('-');
    let unsigned = text.trim_start_matches(['+', '-']);
    let parts: Vec<&str> = unsigned
        .split(|c: char| c == ':' || c.is_whitespace() || "hdms°'\"".contains(c))
        .filter(|p| !p.is_empty())
        .collect();
    if parts.is_empty() || parts.len() > 3 {
        return None;
    }
    let mut value = 0.0;
    for (i, part) in parts.iter().enumerate() {
        let number = parse_number(part).filter(|v| *v >= 0.0 && (i == 0 || *v < 60.5))?;
        value += number / 60f64.powi(i as i32);
    }
    Some(if negative { -value } else { value })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn card(text: &str) -> Card {
        Card::parse(format!("{text:<80}").as_bytes()).unwrap()
    }

    #[test]
    fn numbers_are_read_in_every_form_in_use() {
        for (text, want) in [
            ("EXPTIME = 060.00 / Exposure", Some(60.0)),
            ("WEATHER = 098 / percent", Some(98.0)),
            ("CAMFOCUS= '2225    ' / focus", Some(2225.0)),
            ("CAMTEMP = '11 C    '", Some(11.0)),
            ("TELALT  = +66.616 / Altitude", Some(66.616)),
            ("A       = 1.5D-3", Some(0.0015)),
            ("A       = 'NaN'", None),
            ("A       = 1e999", None),
            ("RA      = '        '", None),
            ("RA      =", None),
            ("RA      = '01 02 03'", None),
        ] {
            assert_eq!(card(text).number(), want, "{text}");
        }
    }

    #[test]
    fn strings_keep_quotes_and_slashes() {
        let c = card("OBJECT  = 'it''s a/b  ' / comment");
        assert_eq!((c.value.as_str(), c.comment.as_str()), ("it's a/b", "comment"));
        let open = card("OBJECT  = 'never closed");
        assert_eq!(open.value, "never closed");
        let hierarch = card("HIERARCH DET GAIN = 2.5 / e/ADU");
        assert_eq!((hierarch.key.as_str(), hierarch.number()), ("DET GAIN", Some(2.5)));
    }

    #[test]
    fn a_long_string_is_joined() {
        let text = format!("{:<80}{:<80}{:<80}", "A       = 'one &'", "CONTINUE  'two'", "END");
        assert_eq!(Header::parse(text.as_bytes()).text("A"), Some("one two"));
    }

    #[test]
    fn sexagesimal_angles() {
        assert_eq!(sexagesimal("-00:30:00"), Some(-0.5));
        assert_eq!(sexagesimal("+46 46.5"), Some(46.775));
        assert!((sexagesimal("02h05m15.36s").unwrap() - 2.0876).abs() < 1e-12);
        assert_eq!(sexagesimal("12:99:00"), None);
        assert_eq!(sexagesimal(""), None);
    }
}
