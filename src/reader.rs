//! Reads TOML files that people write, with every mistake collected, each with its place. Descriptions of chips, boards and GPIO lines
//! are read through this and nothing else.

use std::cell::RefCell;
use std::fmt;
use std::fs;
use std::io;
use std::ops::{Range, RangeInclusive};
use std::path::Path;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Something wrong in a description.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Mistake {
    /// Counted from 1.
    pub line: u32,
    /// In characters, counted from 1.
    pub column: u32,
    /// What is wrong and what is allowed.
    pub message: String,
}

/// Why a description cannot be had from a file.
#[derive(Debug, thiserror::Error)]
pub enum FileError {
    #[error("{file} cannot be read: {source}")]
    Unreadable { file: String, source: io::Error },
    #[error("{file} is no description: {what}")]
    NotText { file: String, what: &'static str },
    #[error("{}", InFile(file, mistakes))]
    Mistakes { file: String, mistakes: Vec<Mistake> },
}

/// Mistakes with the name of their file, a line each.
struct InFile<'m>(&'m str, &'m [Mistake]);

impl fmt::Display for InFile<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, mistake) in self.1.iter().enumerate() {
            let end = if index + 1 < self.1.len() { "\n" } else { "" };
            write!(f, "{}:{}:{}: {}{end}", self.0, mistake.line, mistake.column, mistake.message)?;
        }
        Ok(())
    }
}

/// A file larger than this is refused unread, in bytes.
const LARGEST_FILE: u64 = 1024 * 1024;

/// The text of a description's file.
pub(crate) fn read_file(path: &Path) -> Result<String, FileError> {
    let file = path.display().to_string();
    let unreadable = |source| FileError::Unreadable { file: file.clone(), source };
    let about = fs::metadata(path).map_err(unreadable)?;
    if !about.is_file() {
        return Err(FileError::NotText { file, what: "it is a folder or a device" });
    }
    if about.len() > LARGEST_FILE {
        return Err(FileError::NotText { file, what: "it is larger than 1 MiB" });
    }
    let bytes = fs::read(path).map_err(unreadable)?;
    String::from_utf8(bytes).map_err(|_| FileError::NotText { file, what: "it is not UTF-8 text" })
}

/// The text being read and what was found wrong in it.
pub(crate) struct Source<'t> {
    text: &'t str,
    mistakes: RefCell<Vec<(usize, String)>>,
}

/// A value together with where it stands in the text.
#[derive(Clone, Debug)]
pub(crate) struct Placed<T> {
    pub value: T,
    pub at: usize,
}

impl<T> Placed<T> {
    pub fn map<U>(self, change: impl FnOnce(T) -> U) -> Placed<U> {
        Placed { value: change(self.value), at: self.at }
    }
}

/// A table whose keys are asked for one by one. Those that nobody asked for are mistakes, found when it is dropped.
pub(crate) struct Table<'s, 't> {
    source: &'s Source<'t>,
    /// The keys that lead here, joined by dots; empty for the topmost table.
    path: String,
    /// Whether it is one of a list of tables.
    listed: bool,
    at: usize,
    keys: Vec<Entry<'s, 't>>,
    asked: RefCell<Vec<&'static str>>,
}

struct Entry<'s, 't> {
    name: &'s str,
    at: usize,
    value: &'s Spanned<DeValue<'t>>,
}

/// Reads a description: `build` gets its topmost table and takes from it what it needs. The mistakes come in the order of
/// the text. Broken TOML is reported by itself, because what stands around it cannot be trusted.
pub(crate) fn read<T>(text: &str, build: impl FnOnce(&Table) -> Option<T>) -> Result<T, Vec<Mistake>> {
    let source = Source { text, mistakes: RefCell::default() };
    let (document, broken) = DeTable::parse_recoverable(text);
    if !broken.is_empty() {
        for error in broken {
            source.wrong(error.span().unwrap_or_default().start, format!("not TOML: {}", error.message()));
        }
        return Err(source.sorted());
    }
    let table = Table::new(&source, String::new(), false, 0, document.get_ref());
    let built = build(&table);
    drop(table);
    match (built, source.sorted()) {
        (Some(built), mistakes) if mistakes.is_empty() => Ok(built),
        (_, mistakes) => Err(mistakes),
    }
}

impl Source<'_> {
    pub fn wrong(&self, at: usize, message: impl Into<String>) {
        self.mistakes.borrow_mut().push((at, message.into()));
    }

    fn sorted(&self) -> Vec<Mistake> {
        let mut found: Vec<Mistake> = self.mistakes.take().into_iter().map(|(at, message)| self.mistake(at, message)).collect();
        found.sort();
        found.dedup();
        found
    }

    fn mistake(&self, at: usize, message: String) -> Mistake {
        let before = self.text.get(..at).unwrap_or(self.text);
        let line = before.matches('\n').count() as u32 + 1;
        let column = before.rsplit('\n').next().unwrap_or("").chars().count() as u32 + 1;
        Mistake { line, column, message }
    }
}

impl<'s, 't> Table<'s, 't> {
    fn new(source: &'s Source<'t>, path: String, listed: bool, at: usize, table: &'s DeTable<'t>) -> Self {
        let mut keys: Vec<Entry> = table.iter().map(|(key, value)| Entry { name: key.get_ref(), at: key.span().start, value }).collect();
        keys.sort_by_key(|entry| entry.at);
        Table { source, path, listed, at, keys, asked: RefCell::default() }
    }

    /// What messages call it.
    pub fn title(&self) -> String {
        match (self.path.as_str(), self.listed) {
            ("", _) => "the file".into(),
            (path, false) => format!("[{path}]"),
            (path, true) => format!("[[{path}]]"),
        }
    }

    fn path_of(&self, key: &str) -> String {
        if self.path.is_empty() { key.into() } else { format!("{}.{key}", self.path) }
    }

    /// Reports a mistake in this source.
    pub fn wrong(&self, at: usize, message: impl Into<String>) {
        self.source.wrong(at, message);
    }

    /// Where the table begins.
    pub fn at(&self) -> usize {
        self.at
    }

    /// Whether the key is there; asking for it makes it a known one.
    pub fn has(&self, key: &'static str) -> bool {
        self.entry(key).is_some()
    }

    /// Where the value of a key stands, or the table itself where it lacks the key.
    pub fn place(&self, key: &str) -> usize {
        let found = self.keys.iter().find(|entry| entry.name == key);
        found.map_or(self.at, |entry| place_of(entry.value.span(), entry.at))
    }

    fn entry(&self, key: &'static str) -> Option<&Entry<'s, 't>> {
        self.asked.borrow_mut().push(key);
        self.keys.iter().find(|entry| entry.name == key)
    }

    fn required(&self, key: &'static str) -> Option<&Entry<'s, 't>> {
        let found = self.entry(key);
        if found.is_none() {
            self.wrong(self.at, format!("{} lacks the key `{key}`", self.title()));
        }
        found
    }

    fn wrong_type(&self, name: &str, value: &Spanned<DeValue>, wanted: &str) {
        let found = value.get_ref().type_str();
        self.wrong(value.span().start, format!("`{name}` must be {wanted}; found {} {found}", article(found)));
    }

    /// A text on one line, not empty.
    pub fn text(&self, key: &'static str) -> Option<Placed<String>> {
        let entry = self.required(key)?;
        self.text_value(key, entry.value)
    }

    fn text_value(&self, name: &str, value: &Spanned<DeValue>) -> Option<Placed<String>> {
        let at = value.span().start;
        let Some(text) = value.get_ref().as_str() else {
            self.wrong_type(name, value, "a text");
            return None;
        };
        if text.trim().is_empty() || text.chars().any(char::is_control) {
            self.wrong(at, format!("`{name}` must be a text on one line, not empty and without control characters"));
            return None;
        }
        Some(Placed { value: text.to_string(), at })
    }

    /// A name that people type: lower-case letters, digits and hyphens.
    pub fn name(&self, key: &'static str) -> Option<Placed<String>> {
        let name = self.text(key)?;
        if !is_name(&name.value) {
            let message = format!("`{key}` must be of lower-case letters, digits and hyphens, and begin with a letter or digit");
            self.wrong(name.at, message);
            return None;
        }
        Some(name)
    }

    /// A whole number within `allowed`.
    pub fn number(&self, key: &'static str, allowed: RangeInclusive<u32>) -> Option<Placed<u32>> {
        let entry = self.required(key)?;
        self.number_value(key, entry.value, allowed)
    }

    fn number_value(&self, name: &str, value: &Spanned<DeValue>, allowed: RangeInclusive<u32>) -> Option<Placed<u32>> {
        let Some(number) = value.get_ref().as_integer() else {
            self.wrong_type(name, value, "a whole number");
            return None;
        };
        let at = value.span().start;
        let read = i64::from_str_radix(number.as_str(), number.radix()).ok().and_then(|wide| u32::try_from(wide).ok());
        let Some(read) = read.filter(|read| allowed.contains(read)) else {
            let (least, most) = (allowed.start(), allowed.end());
            self.wrong(at, format!("`{name}` must be from {least} to {most}; found {number}"));
            return None;
        };
        Some(Placed { value: read, at })
    }

    /// A number that is a power of two, within `allowed`.
    pub fn power_of_two(&self, key: &'static str, allowed: RangeInclusive<u32>) -> Option<Placed<u32>> {
        let number = self.number(key, allowed)?;
        if !number.value.is_power_of_two() {
            self.wrong(number.at, format!("`{key}` must be a power of two; found {}", number.value));
            return None;
        }
        Some(number)
    }

    /// `true` or `false`; `missing` where the key is not there.
    pub fn flag(&self, key: &'static str, missing: bool) -> Option<bool> {
        let Some(entry) = self.entry(key) else { return Some(missing) };
        let flag = entry.value.get_ref().as_bool();
        if flag.is_none() {
            self.wrong_type(key, entry.value, "true or false");
        }
        flag
    }

    /// One of a few words.
    pub fn choice<T: Clone>(&self, key: &'static str, allowed: &[(&str, T)]) -> Option<Placed<T>> {
        let entry = self.required(key)?;
        self.choice_value(key, entry.value, allowed)
    }

    /// Like [`Table::choice`], where the key may be missing.
    pub fn optional_choice<T: Clone>(&self, key: &'static str, allowed: &[(&str, T)]) -> Option<Placed<T>> {
        let entry = self.entry(key)?;
        self.choice_value(key, entry.value, allowed)
    }

    fn choice_value<T: Clone>(&self, name: &str, value: &Spanned<DeValue>, allowed: &[(&str, T)]) -> Option<Placed<T>> {
        let word = self.text_value(name, value)?;
        match allowed.iter().find(|(known, _)| *known == word.value) {
            Some((_, meaning)) => Some(Placed { value: meaning.clone(), at: word.at }),
            None => {
                let names = one_of(allowed.iter().map(|(known, _)| *known));
                self.wrong(word.at, format!("`{name}` must be {names}; found \"{}\"", word.value));
                None
            }
        }
    }

    /// A list of words, each one of a few and none twice; empty where the key is missing.
    pub fn choices<T: Clone + PartialEq>(&self, key: &'static str, allowed: &[(&str, T)]) -> Option<Vec<T>> {
        let Some(entry) = self.entry(key) else { return Some(Vec::new()) };
        let mut taken: Vec<T> = Vec::new();
        let mut sound = true;
        for value in self.items(key, entry)? {
            match self.choice_value(key, value, allowed) {
                Some(word) if taken.contains(&word.value) => {
                    self.wrong(word.at, format!("`{key}` names this one twice"));
                    sound = false;
                }
                Some(word) => taken.push(word.value),
                None => sound = false,
            }
        }
        sound.then_some(taken)
    }

    /// A list of texts; empty where the key is missing.
    pub fn texts(&self, key: &'static str) -> Option<Vec<Placed<String>>> {
        let Some(entry) = self.entry(key) else { return Some(Vec::new()) };
        let read: Vec<_> = self.items(key, entry)?.iter().map(|value| self.text_value(key, value)).collect();
        read.into_iter().collect()
    }

    /// A list of exactly `N` numbers.
    pub fn numbers<const N: usize>(&self, key: &'static str, allowed: RangeInclusive<u32>) -> Option<Placed<[u32; N]>> {
        let entry = self.required(key)?;
        let items = self.items(key, entry)?;
        let read: Vec<_> = items.iter().map(|value| self.number_value(key, value, allowed.clone())).collect();
        let at = entry.value.span().start;
        if read.len() != N {
            self.wrong(at, format!("`{key}` must be a list of {N} numbers; found {}", read.len()));
            return None;
        }
        let numbers: Vec<u32> = read.into_iter().map(|number| Some(number?.value)).collect::<Option<_>>()?;
        Some(Placed { value: numbers.try_into().ok()?, at })
    }

    fn items(&self, key: &str, entry: &Entry<'s, 't>) -> Option<&'s [Spanned<DeValue<'t>>]> {
        match entry.value.get_ref() {
            DeValue::Array(items) => Some(items),
            _ => {
                self.wrong_type(key, entry.value, "a list");
                None
            }
        }
    }

    /// The table under a key.
    pub fn table(&self, key: &'static str) -> Option<Table<'s, 't>> {
        let entry = self.required(key)?;
        self.table_value(key, entry)
    }

    /// Like [`Table::table`], where the key may be missing.
    pub fn optional_table(&self, key: &'static str) -> Option<Table<'s, 't>> {
        let entry = self.entry(key)?;
        self.table_value(key, entry)
    }

    fn table_value(&self, key: &str, entry: &Entry<'s, 't>) -> Option<Table<'s, 't>> {
        match entry.value.get_ref() {
            DeValue::Table(table) => Some(Table::new(self.source, self.path_of(key), false, place_of(entry.value.span(), entry.at), table)),
            _ => {
                self.wrong_type(key, entry.value, "a table");
                None
            }
        }
    }

    /// The tables of a list; empty where the key is missing.
    pub fn tables(&self, key: &'static str) -> Option<Vec<Table<'s, 't>>> {
        let Some(entry) = self.entry(key) else { return Some(Vec::new()) };
        let items = self.items(key, entry)?;
        let read: Vec<_> = items
            .iter()
            .map(|item| match item.get_ref() {
                DeValue::Table(table) => Some(Table::new(self.source, self.path_of(key), true, item.span().start, table)),
                _ => {
                    self.wrong_type(key, item, "a list of tables");
                    None
                }
            })
            .collect();
        read.into_iter().collect()
    }

    /// Every key of the table with its text, where the keys are the author's own; in the order of the text.
    pub fn pairs(&self) -> Option<Vec<(Placed<String>, Placed<String>)>> {
        self.asked.borrow_mut().extend(["*"]);
        let read: Vec<_> = self
            .keys
            .iter()
            .map(|entry| {
                let key = Placed { value: entry.name.to_string(), at: entry.at };
                Some((key, self.text_value(entry.name, entry.value)?))
            })
            .collect();
        read.into_iter().collect()
    }
}

impl Drop for Table<'_, '_> {
    /// Reports the keys that nobody asked for.
    fn drop(&mut self) {
        let mut asked = self.asked.take();
        if asked.contains(&"*") {
            return;
        }
        asked.sort_unstable();
        asked.dedup();
        for entry in self.keys.iter().filter(|entry| !asked.contains(&entry.name)) {
            let allowed = one_of(asked.iter().copied());
            self.source.wrong(entry.at, format!("{} has no key `{}`; allowed: {allowed}", self.title(), entry.name.escape_debug()));
        }
    }
}

/// Where a table stands: its own place, or its key's where it has none (a table that only dotted keys make).
fn place_of(span: Range<usize>, key: usize) -> usize {
    if span.is_empty() { key } else { span.start }
}

/// Whether the text is a name as people type it.
pub(crate) fn is_name(text: &str) -> bool {
    text.starts_with(|c: char| c.is_ascii_lowercase() || c.is_ascii_digit())
        && text.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
}

/// How alike two names must be, from 0 to 1, to be offered instead. By trial: one wrong letter in five scores higher, two unrelated names
/// lower.
const ALIKE: f64 = 0.75;

/// How many names a mistyped one is answered with at most.
pub const OFFERED: usize = 4;

/// The names most like a mistyped one, or with it in them, the best first; perhaps none.
pub fn nearest<'n>(mistyped: &str, names: impl IntoIterator<Item = &'n str>) -> Vec<&'n str> {
    let wanted = mistyped.to_lowercase();
    let alike = |name: &'n str| (strsim::jaro_winkler(&name.to_lowercase(), &wanted), name);
    let mut near: Vec<(f64, &str)> = names.into_iter().map(alike).collect();
    near.retain(|(alike, name)| *alike >= ALIKE || (wanted.len() > 2 && name.to_lowercase().contains(&wanted)));
    near.sort_by(|(a, _), (b, _)| b.total_cmp(a));
    near.into_iter().map(|(_, name)| name).take(OFFERED).collect()
}

/// Those names as the end of a sentence; nothing where there are none.
pub fn near_it<N: AsRef<str>>(near: &[N]) -> String {
    match near {
        [] => String::new(),
        near => format!("; near it: {}", one_of(near.iter().map(AsRef::as_ref))),
    }
}

/// `a, b or c`.
pub(crate) fn one_of<'a>(names: impl Iterator<Item = &'a str>) -> String {
    let names: Vec<&str> = names.collect();
    match names.split_last() {
        None => "nothing".into(),
        Some((last, [])) => last.to_string(),
        Some((last, rest)) => format!("{} or {last}", rest.join(", ")),
    }
}

fn article(noun: &str) -> &'static str {
    if noun.starts_with(['a', 'e', 'i', 'o', 'u']) { "an" } else { "a" }
}
