//! Which channel is looked at, and when it counts as on.

use crate::Refusal;

/// One channel to look at.
#[derive(Debug, Clone, PartialEq)]
pub struct Watch {
    /// Name in the capture; of a dump also with its scopes (`top.D0`) or one bit (`port[3]`).
    pub name: String,
    /// When it counts as on.
    pub rule: Rule,
}

/// When a channel counts as on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Rule {
    /// While it is 1.
    High,
    /// While it is 0.
    Low,
    /// While its number is above this.
    Above(f64),
    /// While its number is below this.
    Below(f64),
    /// While it changes again and again, as the wire of a sound sensor does.
    Changing,
    /// It is a number that is only noted.
    Number,
}

impl Watch {
    /// A channel from its description: `NAME` is on while 1, `!NAME` while 0, `NAME>X` and
    /// `NAME<X` while its number is above or below X, `~NAME` while it changes.
    ///
    /// # Errors
    /// An empty name, or an X that is no number.
    pub fn parse(text: &str) -> Result<Watch, Refusal> {
        let text = text.trim();
        let help = "write a channel as NAME, !NAME (on while 0), ~NAME (on while it changes), NAME>X or NAME<X";
        let (name, rule) = if let Some(name) = text.strip_prefix('!') {
            (name, Rule::Low)
        } else if let Some(name) = text.strip_prefix('~') {
            (name, Rule::Changing)
        } else if let Some((name, level)) = text.split_once(['>', '<']) {
            let x: f64 = level
                .trim()
                .parse()
                .ok()
                .filter(|x: &f64| x.is_finite())
                .ok_or_else(|| {
                    Refusal::whole(
                        format!("{:?} in channel {text:?} is no number", level.trim()),
                        help,
                    )
                })?;
            let above = text.contains('>');
            (
                name,
                if above {
                    Rule::Above(x)
                } else {
                    Rule::Below(x)
                },
            )
        } else {
            (text, Rule::High)
        };
        let name = name.trim().to_owned();
        match name.is_empty() {
            true => Err(Refusal::whole(
                format!("channel {text:?} has no name"),
                help,
            )),
            false => Ok(Watch { name, rule }),
        }
    }

    /// A channel that is only noted as a number.
    pub fn number(name: &str) -> Watch {
        Watch {
            name: name.trim().to_owned(),
            rule: Rule::Number,
        }
    }
}

/// What one value of a channel comes to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Told {
    Level(bool),
    Number(f64),
    Unknown,
}

impl Rule {
    /// What a single bit comes to: `0`, `1`, or unknown.
    #[inline]
    pub(super) fn bit(self, bit: u8) -> Told {
        match (bit, self) {
            (b'0' | b'1', Rule::Number | Rule::Above(_) | Rule::Below(_)) => {
                self.real(f64::from(bit - b'0'))
            }
            (b'0' | b'1', _) => Told::Level((bit == b'1') != (self == Rule::Low)),
            _ => Told::Unknown,
        }
    }

    /// What a number comes to.
    #[inline]
    pub(super) fn real(self, x: f64) -> Told {
        match self {
            _ if !x.is_finite() => Told::Unknown,
            Rule::Number => Told::Number(x),
            Rule::Above(limit) => Told::Level(x > limit),
            Rule::Below(limit) => Told::Level(x < limit),
            Rule::Low => Told::Level(x == 0.0),
            Rule::High | Rule::Changing => Told::Level(x != 0.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn descriptions_are_read_and_bad_ones_named() {
        let rule = |text| Watch::parse(text).map(|w| (w.name, w.rule));
        assert_eq!(rule("D0"), Ok(("D0".into(), Rule::High)));
        assert_eq!(rule(" !D0"), Ok(("D0".into(), Rule::Low)));
        assert_eq!(rule("~mic"), Ok(("mic".into(), Rule::Changing)));
        assert_eq!(rule("p > 1.5"), Ok(("p".into(), Rule::Above(1.5))));
        assert_eq!(rule("p<-2"), Ok(("p".into(), Rule::Below(-2.0))));
        assert!(rule("!").is_err() && rule("").is_err() && rule("p>nan").is_err());
        assert!(rule("p>x").unwrap_err().what.contains("\"x\""));
    }

    #[test]
    fn bits_follow_the_rule() {
        assert_eq!(Rule::High.bit(b'1'), Told::Level(true));
        assert_eq!(Rule::High.bit(b'0'), Told::Level(false));
        assert_eq!(Rule::Low.bit(b'0'), Told::Level(true));
        assert_eq!(Rule::Low.bit(b'1'), Told::Level(false));
        assert_eq!(Rule::High.bit(b'x'), Told::Unknown);
        assert_eq!(Rule::Above(0.5).bit(b'1'), Told::Level(true));
        assert_eq!(Rule::Number.bit(b'1'), Told::Number(1.0));
    }
}
