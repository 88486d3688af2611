//! Rust sources as tokens, as far as the rules need: comments and literals are left out, tests are told apart, and paths are unfolded.

/// A word or a sign of a source text. A macro's name has its `!`: `println!`; `::` is one sign.
#[derive(Clone, Debug, PartialEq)]
pub struct Token {
    pub text: String,
    /// Counts from 1.
    pub line: usize,
    /// Below `#[cfg(test)]`.
    pub test: bool,
    /// How many `mod name { ... }` of this file it is in.
    pub inline_modules: usize,
}

/// A path with every group unfolded: `a::{b, c::d}` is `a::b` and `a::c::d`.
#[derive(Clone, Debug, PartialEq)]
pub struct PathUse {
    pub parts: Vec<String>,
    pub line: usize,
    pub test: bool,
    pub inline_modules: usize,
}

/// The tokens of a source text.
pub fn tokens(text: &str) -> Vec<Token> {
    let mut tokens = lex(text);
    mark(&mut tokens);
    tokens
}

fn lex(text: &str) -> Vec<Token> {
    let chars: Vec<char> = text.chars().collect();
    let (mut tokens, mut at, mut line) = (Vec::new(), 0, 1);
    while at < chars.len() {
        let end = token_end(&chars, at);
        let word: String = chars[at..end].iter().collect();
        let first = chars[at];
        let is_literal = word.contains('"') || (first == '\'' && word.len() > 1) || first.is_ascii_digit();
        if !first.is_whitespace() && !word.starts_with("//") && !word.starts_with("/*") && !is_literal {
            tokens.push(Token { text: word.clone(), line, test: false, inline_modules: 0 });
        }
        line += word.matches('\n').count();
        at = end;
    }
    tokens
}

/// Where the token, comment or blank that begins at `at` ends.
fn token_end(chars: &[char], at: usize) -> usize {
    let rest = &chars[at..];
    let starts = |word: &str| word.chars().enumerate().all(|(n, c)| rest.get(n) == Some(&c));
    let is_word = |c: &char| c.is_alphanumeric() || *c == '_';
    let word = rest.iter().take_while(|c| is_word(c)).count();
    let prefix: String = rest[..word].iter().collect();
    let hashes = rest[word..].iter().take_while(|c| **c == '#').count();
    let quote = rest.get(word + hashes) == Some(&'"');
    at + if starts("//") {
        rest.iter().take_while(|c| **c != '\n').count()
    } else if starts("/*") {
        block_comment(rest)
    } else if matches!(prefix.as_str(), "r" | "br" | "cr") && quote {
        let close: Vec<char> = std::iter::once('"').chain(std::iter::repeat_n('#', hashes)).collect();
        let start = word + hashes + 1;
        let body = rest[start..].windows(close.len()).position(|end| end == close).unwrap_or(rest.len() - start - close.len());
        start + body + close.len()
    } else if matches!(prefix.as_str(), "" | "b" | "c") && hashes == 0 && quote {
        quoted(&rest[word..], '"') + word
    } else if rest[0] == '\'' {
        match rest {
            [_, '\\', ..] => quoted(rest, '\''),
            [_, _, '\'', ..] => 3,
            _ => 1 + rest[1..].iter().take_while(|c| is_word(c)).count(), // a lifetime
        }
    } else if word > 0 {
        let is_macro = rest.get(word) == Some(&'!') && rest.get(word + 1) != Some(&'=');
        word + usize::from(is_macro)
    } else if starts("::") {
        2
    } else {
        1
    }
}

/// Length of the literal that begins with `quote`.
fn quoted(rest: &[char], quote: char) -> usize {
    let mut at = 1;
    while at < rest.len() && rest[at] != quote {
        at += if rest[at] == '\\' { 2 } else { 1 };
    }
    (at + 1).min(rest.len())
}

/// Length of a block comment; they nest.
fn block_comment(rest: &[char]) -> usize {
    let (mut depth, mut at) = (0, 0);
    while at + 1 < rest.len() {
        match (rest[at], rest[at + 1]) {
            ('/', '*') => (depth, at) = (depth + 1, at + 2),
            ('*', '/') => (depth, at) = (depth - 1, at + 2),
            _ => at += 1,
        }
        if depth == 0 {
            return at;
        }
    }
    rest.len()
}

/// Tells which tokens are below `#[cfg(test)]`, and how deep in modules of this file each is.
fn mark(tokens: &mut [Token]) {
    let mut scopes = vec![(false, 0)];
    let (mut brackets, mut test_item) = (0, None);
    for at in 0..tokens.len() {
        let (in_test, modules) = scopes.last().copied().unwrap_or_default();
        let text = tokens[at].text.clone();
        if text == "#" && is_test_attribute(&tokens[at..]) {
            test_item = Some(brackets);
        }
        tokens[at].test = in_test || test_item.is_some();
        tokens[at].inline_modules = modules;
        match text.as_str() {
            "(" | "[" => brackets += 1,
            ")" | "]" => brackets -= 1,
            "{" => {
                let module = at >= 2 && tokens[at - 2].text == "mod";
                scopes.push((in_test || test_item.take().is_some(), modules + usize::from(module)));
            }
            "}" => drop(scopes.pop()),
            ";" if test_item == Some(brackets) => test_item = None,
            _ => {}
        }
    }
}

/// `#[cfg(test)]`, also among other conditions; not `#[cfg(not(test))]`.
fn is_test_attribute(tokens: &[Token]) -> bool {
    let words: Vec<&str> = tokens.iter().take_while(|token| token.text != "]").map(|token| token.text.as_str()).collect();
    words.starts_with(&["#", "[", "cfg"]) && words.contains(&"test") && !words.contains(&"not")
}

/// Every path of the tokens, single words too.
pub fn paths(tokens: &[Token]) -> Vec<PathUse> {
    let mut found = Vec::new();
    let mut at = 0;
    while at < tokens.len() {
        match is_word(&tokens[at]) {
            true => at = path(tokens, at, &[], &mut found),
            false => at += 1,
        }
    }
    found
}

fn is_word(token: &Token) -> bool {
    token.text.starts_with(|c: char| c.is_alphabetic() || c == '_')
}

/// Reads the path that begins at `at`, which follows `before`; returns where it ends.
fn path(tokens: &[Token], mut at: usize, before: &[String], found: &mut Vec<PathUse>) -> usize {
    let first = &tokens[at];
    let mut parts = before.to_vec();
    while tokens.get(at).is_some_and(is_word) {
        parts.push(tokens[at].text.clone());
        at += 1;
        match tokens.get(at).map(|token| token.text.as_str()) {
            Some("::") => at += 1,
            _ => break,
        }
    }
    let follows_path = at > 0 && tokens[at - 1].text == "::";
    if follows_path && tokens.get(at).is_some_and(|token| token.text == "{") {
        at += 1;
        while tokens.get(at).is_some_and(|token| token.text != "}") {
            at = match is_word(&tokens[at]) {
                true => path(tokens, at, &parts, found),
                false => at + 1,
            };
        }
        return at + 1;
    }
    found.push(PathUse { parts, line: first.line, test: first.test, inline_modules: first.inline_modules });
    at
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(text: &str) -> Vec<String> {
        tokens(text).into_iter().map(|token| token.text).collect()
    }

    #[test]
    fn comments_and_literals_are_left_out() {
        let text = "a // b\n/* c /* d */ e */ f \"g \\\" h\" r#\"i \" j\"# b\"k\" 'l' '\\'' b'\\n' &'m n 12 0x1F println!(x) a != b ::c";
        assert_eq!(words(text), ["a", "f", "b", "&", "n", "println!", "(", "x", ")", "a", "!", "=", "b", "::", "c"]);
    }

    #[test]
    fn lines_are_counted_through_literals_and_comments() {
        let lines: Vec<usize> = tokens("a\n\"x\ny\" b /* \n */ c\nd").iter().map(|token| token.line).collect();
        assert_eq!(lines, [1, 3, 4, 5]);
    }

    #[test]
    fn tests_are_told_apart() {
        let text =
            "a #[cfg(test)] use t1; b #[cfg(test)] fn t2(x: [u8; 3]) { t3 } c #[cfg(test)] mod t { t4 { t5 } } d #[cfg(not(test))] e";
        let marked: Vec<String> =
            tokens(text).into_iter().filter(|token| token.text.len() <= 2 && is_word(token)).filter(|t| !t.test).map(|t| t.text).collect();
        assert_eq!(marked, ["a", "b", "c", "d", "e"]);
    }

    #[test]
    fn groups_are_unfolded() {
        let paths = paths(&tokens("use a::{self, b, c::{d, e as f}}; g::h(i)"));
        let paths: Vec<String> = paths.into_iter().map(|path| path.parts.join("::")).collect();
        assert_eq!(paths, ["use", "a::self", "a::b", "a::c::d", "a::c::e", "a::c::as", "a::c::f", "g::h", "i"]);
    }
}
