//! The words of an SQL statement: names, texts and signs, without comments.

/// One word.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Word {
    /// A name, keyword or number as written.
    Plain(String),
    /// A name in quotes of one of the three kinds.
    Quoted(String),
    /// A text in single quotes.
    Text(String),
    /// The digits of a blob, `x'…'`.
    Blob(String),
    /// Any other sign.
    Sign(char),
}

impl Word {
    /// Whether it is a keyword, without regard to case.
    pub(super) fn is(&self, keyword: &str) -> bool {
        matches!(self, Word::Plain(word) if word.eq_ignore_ascii_case(keyword))
    }

    /// What it names, if it can be a name.
    pub(super) fn name(&self) -> Option<&str> {
        match self {
            Word::Plain(name) | Word::Quoted(name) | Word::Text(name) => Some(name),
            _ => None,
        }
    }
}

/// Cuts a statement into words.
pub(super) fn words_of(sql: &str) -> Vec<Word> {
    let mut words = Vec::new();
    let mut chars = sql.chars().peekable();
    while let Some(c) = chars.next() {
        match c {
            c if c.is_whitespace() => {}
            '-' if chars.peek() == Some(&'-') => while chars.next_if(|&c| c != '\n').is_some() {},
            '/' if chars.peek() == Some(&'*') => {
                let mut last = ' ';
                chars.next();
                for c in chars.by_ref() {
                    if last == '*' && c == '/' {
                        break;
                    }
                    last = c;
                }
            }
            '\'' => words.push(Word::Text(quoted(&mut chars, '\''))),
            '"' | '`' => words.push(Word::Quoted(quoted(&mut chars, c))),
            '[' => words.push(Word::Quoted(chars.by_ref().take_while(|&c| c != ']').collect())),
            'x' | 'X' if chars.peek() == Some(&'\'') => {
                chars.next();
                words.push(Word::Blob(quoted(&mut chars, '\'')));
            }
            c if is_word(c) || c == '.' && chars.peek().is_some_and(char::is_ascii_digit) => {
                words.push(Word::Plain(plain(c, &mut chars)));
            }
            c => words.push(Word::Sign(c)),
        }
    }
    words
}

fn is_word(c: char) -> bool {
    c.is_ascii_alphanumeric() || c == '_' || c == '$' || !c.is_ascii()
}

type Chars<'s> = std::iter::Peekable<std::str::Chars<'s>>;

/// The rest of a name or number; a number may hold a point and an exponent with a sign.
fn plain(first: char, chars: &mut Chars) -> String {
    let mut word = String::from(first);
    let number = first.is_ascii_digit() || first == '.';
    loop {
        let after_exponent = number && !word.starts_with("0x") && word.ends_with(['e', 'E']);
        let fits = |&c: &char| is_word(c) || number && c == '.' || after_exponent && matches!(c, '+' | '-');
        match chars.next_if(fits) {
            Some(c) => word.push(c),
            None => return word,
        }
    }
}

/// The rest of a text in quotes; a quote written twice stands for one.
fn quoted(chars: &mut Chars, quote: char) -> String {
    let mut text = String::new();
    while let Some(c) = chars.next() {
        if c == quote && chars.next_if_eq(&quote).is_none() {
            break;
        }
        text.push(c);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quotes_comments_and_numbers_are_told_apart() {
        let words = words_of("a/* , ( */\"b\"\"c\" [d e]--x\n`f` 'it''s' X'0aFf' 1.5e-3 -.5 0x1F)");
        let named = |text: &str| Word::Quoted(text.into());
        let plain = |text: &str| Word::Plain(text.into());
        let wanted = [
            plain("a"),
            named("b\"c"),
            named("d e"),
            named("f"),
            Word::Text("it's".into()),
            Word::Blob("0aFf".into()),
            plain("1.5e-3"),
            Word::Sign('-'),
            plain(".5"),
            plain("0x1F"),
            Word::Sign(')'),
        ];
        assert_eq!(words, wanted);
    }
}
