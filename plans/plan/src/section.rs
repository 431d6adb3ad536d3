//! Reads TOML tables key by key, collecting every mistake with its place instead of stopping at the first.

use crate::earlier_words;
use crate::trade_words;
use nightbench_core::text::{counted, hides, nearest};
use std::cell::{Cell, RefCell};
use std::collections::BTreeSet;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// A mistake in a plan or bench file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mistake {
    /// Bytes of the text that are wrong.
    pub span: Range<usize>,
    /// The thing, its value and the limit with its unit.
    pub message: String,
    /// What to do about it.
    pub remedy: Option<String>,
}

/// Most mistakes, and most warnings, that are told one by one: of more, a person reads the count.
pub const MOST_TOLD: usize = 100;

/// The mistakes found so far, and what else is noticed while reading.
#[derive(Debug, Default)]
pub struct Mistakes {
    mistakes: RefCell<Vec<Mistake>>,
    warnings: RefCell<Vec<Mistake>>,
    /// Mistakes and warnings beyond [`MOST_TOLD`].
    more_mistakes: Cell<usize>,
    more_warnings: Cell<usize>,
    /// Things whose declaration is at fault, as (table, name).
    broken: RefCell<BTreeSet<(&'static str, String)>>,
    /// Keys that were asked for, as (path of the table, key).
    asked: RefCell<BTreeSet<(String, &'static str)>>,
}

impl Mistakes {
    /// Adds a mistake.
    pub fn add(&self, span: Range<usize>, message: impl Into<String>, remedy: Option<String>) {
        push(&self.mistakes, &self.more_mistakes, Mistake { span, message: message.into(), remedy });
    }
    /// Are further ones counted only?
    fn are_many(&self) -> bool {
        self.mistakes.borrow().len() >= MOST_TOLD
    }
    /// Adds a warning: the file can still be used.
    pub fn warn(&self, span: Range<usize>, message: impl Into<String>, remedy: impl Into<String>) {
        let warning = Mistake { span, message: message.into(), remedy: Some(remedy.into()) };
        push(&self.warnings, &self.more_warnings, warning);
    }
    pub fn is_empty(&self) -> bool {
        self.mistakes.borrow().is_empty()
    }
    /// Remembers a thing that is declared with a mistake: using its name is not a further one.
    pub fn set_broken(&self, table: &'static str, name: &str) {
        self.broken.borrow_mut().insert((table, name.to_string()));
    }
    /// Is a thing declared with a mistake?
    pub fn is_broken(&self, table: &'static str, name: &str) -> bool {
        self.broken.borrow().contains(&(table, name.to_string()))
    }
    /// Every key that was asked for so far, as (path of the table, key).
    pub fn asked(&self) -> BTreeSet<(String, &'static str)> {
        self.asked.borrow().clone()
    }
    /// The warnings in the order of the text.
    pub fn warnings(&self) -> Vec<Mistake> {
        sorted(self.warnings.borrow().clone(), self.more_warnings.get(), "warning")
    }
    /// The mistakes in the order of the text.
    pub fn into_sorted(self) -> Vec<Mistake> {
        sorted(self.mistakes.into_inner(), self.more_mistakes.get(), "mistake")
    }
}

fn push(list: &RefCell<Vec<Mistake>>, more: &Cell<usize>, one: Mistake) {
    let mut list = list.borrow_mut();
    if list.len() < MOST_TOLD {
        list.push(one);
    } else {
        more.set(more.get() + 1);
    }
}

fn sorted(mut list: Vec<Mistake>, more: usize, what: &str) -> Vec<Mistake> {
    list.sort_by_key(|mistake| (mistake.span.start, mistake.span.end));
    list.dedup();
    if let Some(last) = list.last()
        && more > 0
    {
        let span = last.span.clone();
        let message = format!("{} more: the first {MOST_TOLD} are shown", counted(more, what));
        list.push(Mistake { span, message, remedy: None });
    }
    list
}

/// A value with its place in the text.
#[derive(Debug, Clone, PartialEq)]
pub struct Placed<T> {
    pub value: T,
    pub span: Range<usize>,
}

/// One table of the file.
pub struct Section<'a> {
    /// Name as printed in messages, for example `[capture]`.
    pub title: String,
    /// Place of the table.
    pub span: Range<usize>,
    /// Keys that lead to the table, joined by dots; empty for the whole file.
    path: String,
    table: &'a DeTable<'a>,
    mistakes: &'a Mistakes,
    known: RefCell<Vec<&'static str>>,
}

impl<'a> Section<'a> {
    /// A table to be read.
    pub fn new(
        title: impl Into<String>,
        table: &'a DeTable<'a>,
        span: Range<usize>,
        mistakes: &'a Mistakes,
    ) -> Section<'a> {
        Section { title: title.into(), span, path: String::new(), table, mistakes, known: RefCell::default() }
    }

    fn inner(&self, key: &str, title: String, table: &'a DeTable<'a>, span: Range<usize>) -> Section<'a> {
        let path = if self.path.is_empty() { key.to_string() } else { format!("{}.{key}", self.path) };
        Section { path, ..Section::new(title, table, span, self.mistakes) }
    }

    pub fn mistakes(&self) -> &'a Mistakes {
        self.mistakes
    }

    fn find(&self, key: &'static str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.known.borrow_mut().push(key);
        self.mistakes.asked.borrow_mut().insert((self.path.clone(), key));
        self.table.get(key)
    }

    /// A text of several lines, if present: nothing in it is looked at.
    pub fn any_text(&self, key: &'static str) -> Option<String> {
        let value = self.find(key)?;
        let text = value.get_ref().as_str().map(str::to_string);
        if text.is_none() {
            self.wrong_type(key, value, "a text");
        }
        text
    }

    fn wrong_type(&self, key: &str, value: &Spanned<DeValue<'_>>, wanted: &str) {
        self.mistakes.add(
            value.span(),
            format!("`{key}` in {} is {}, not {wanted}", self.title, article(value.get_ref().type_str())),
            None,
        );
    }

    pub fn has(&self, key: &'static str) -> bool {
        self.find(key).is_some()
    }

    /// Place of a key's value, or of the table where the key is absent.
    pub fn place(&self, key: &str) -> Range<usize> {
        self.table.get(key).map_or(self.span.clone(), Spanned::span)
    }

    /// Adds a mistake at a key's value.
    pub fn mistake(&self, key: &str, message: impl Into<String>, remedy: impl Into<String>) {
        self.mistakes.add(self.place(key), message, Some(remedy.into()));
    }

    fn missing(&self, key: &str, remedy: &str) {
        self.mistakes.add(
            self.span.clone(),
            format!("{} has no `{key}`", self.title),
            Some(format!("add `{key} = {remedy}`")),
        );
    }

    /// A text, if present.
    pub fn text(&self, key: &'static str) -> Option<Placed<String>> {
        self.text_or(key, "write a text or remove the key")
    }

    /// A text, if present; `remedy` says what to do about an empty one.
    fn text_or(&self, key: &'static str, remedy: &str) -> Option<Placed<String>> {
        let value = self.find(key)?;
        match value.get_ref().as_str() {
            Some(text) if !text.trim().is_empty() => {
                if let Some(hidden) = text.chars().find(|c| hides(*c)) {
                    let message = format!(
                        "`{key}` in {} holds U+{:04X}, which nobody sees and which may steer what is seen",
                        self.title,
                        u32::from(hidden)
                    );
                    self.mistakes.warn(value.span(), message, "write the text without it");
                }
                Some(Placed { value: text.to_string(), span: value.span() })
            }
            Some(_) => {
                self.mistake(key, format!("`{key}` in {} is empty", self.title), remedy);
                None
            }
            None => {
                self.wrong_type(key, value, "a text in quotes");
                None
            }
        }
    }

    /// A text that must be present; `example` shows one.
    pub fn required_text(&self, key: &'static str, example: &str) -> Option<Placed<String>> {
        if !self.has(key) {
            self.missing(key, &format!("\"{example}\""));
            return None;
        }
        // No example of a source: it would only be copied.
        match key {
            "source" => self.text_or(key, "write where it comes from"),
            _ => self.text_or(key, &format!("write a text, such as `{key} = \"{example}\"`")),
        }
    }

    /// A yes/no value, with its default.
    pub fn flag(&self, key: &'static str, default: bool) -> bool {
        let Some(value) = self.find(key) else { return default };
        value.get_ref().as_bool().unwrap_or_else(|| {
            self.wrong_type(key, value, "true or false");
            default
        })
    }

    /// A number within `range` (in `unit`), if present.
    pub fn number(&self, key: &'static str, range: std::ops::RangeInclusive<f64>, unit: &str) -> Option<f64> {
        let value = self.find(key)?;
        let number = self.to_number(key, value)?;
        if range.contains(&number) {
            return Some(number);
        }
        self.mistake(
            key,
            format!("`{key}` in {} is {}", self.title, with_unit(number, unit)),
            format!("allowed: {} to {}", with_unit(*range.start(), unit), with_unit(*range.end(), unit)),
        );
        None
    }

    /// A whole number within `range`, if present.
    pub fn whole(&self, key: &'static str, range: std::ops::RangeInclusive<i64>, unit: &str) -> Option<i64> {
        let value = self.find(key)?;
        let Some(number) = to_whole(value.get_ref()) else {
            self.wrong_type(key, value, "a whole number");
            return None;
        };
        if range.contains(&number) {
            return Some(number);
        }
        self.mistake(
            key,
            format!("`{key}` in {} is {}", self.title, with_unit(number as f64, unit)),
            format!(
                "allowed: {} to {}",
                with_unit(*range.start() as f64, unit),
                with_unit(*range.end() as f64, unit)
            ),
        );
        None
    }

    fn to_number(&self, key: &str, value: &Spanned<DeValue<'_>>) -> Option<f64> {
        match number_of(value.get_ref()) {
            Some(number) if number.is_finite() => Some(number),
            Some(_) => {
                self.mistakes.add(
                    value.span(),
                    format!("`{key}` in {} is not a finite number", self.title),
                    Some("write a number".into()),
                );
                None
            }
            None => {
                self.wrong_type(key, value, "a number");
                None
            }
        }
    }

    /// One of several words, if present.
    pub fn choice<T: Copy>(&self, key: &'static str, words: &[(&str, T)]) -> Option<T> {
        let text = self.text(key)?;
        self.choose(key, &text, words)
    }

    /// One of several words that must be there.
    pub fn required_choice<T: Copy>(&self, key: &'static str, words: &[(&str, T)]) -> Option<T> {
        if !self.has(key) {
            self.missing(key, &format!("\"{}\"", words.first().map_or("", |(word, _)| word)));
            return None;
        }
        let text = self.text_or(key, &known_words(words))?;
        self.choose(key, &text, words)
    }

    fn choose<T: Copy>(&self, key: &str, text: &Placed<String>, words: &[(&str, T)]) -> Option<T> {
        if let Some((_, found)) = words.iter().find(|(word, _)| *word == text.value) {
            return Some(*found);
        }
        let near = nearest(&text.value, words.iter().map(|(word, _)| *word));
        let meant = earlier_words::today(&self.path, key, &text.value)
            .or_else(|| near.map(|word| format!("did you mean `{word}`?")))
            .or_else(|| trade_words::meant(&text.value).map(|words| format!("{words};")));
        let remedy = match meant {
            Some(meant) => format!("{meant} {}", known_words(words)),
            None => known_words(words),
        };
        self.mistakes.add(
            text.span.clone(),
            format!("`{key}` in {} is `{}`", self.title, text.value),
            Some(remedy),
        );
        None
    }

    /// The elements of a list, or the one value written without brackets; `None` where the key is absent.
    pub fn items(&self, key: &'static str) -> Option<Vec<Placed<Item>>> {
        let value = self.find(key)?;
        let single = std::slice::from_ref(value);
        let elements: Vec<&Spanned<DeValue<'a>>> = match value.get_ref() {
            DeValue::Array(list) if list.is_empty() => {
                self.mistake(
                    key,
                    format!("`{key}` in {} is an empty list", self.title),
                    "list at least one, or remove the key",
                );
                return Some(Vec::new());
            }
            DeValue::Array(list) => list.iter().collect(),
            _ => single.iter().collect(),
        };
        let mut items = Vec::new();
        for element in elements {
            let item = match element.get_ref() {
                DeValue::String(text) => Item::Text(text.to_string()),
                other => match number_of(other) {
                    Some(number) if number.is_finite() => Item::Number(number),
                    _ => {
                        self.wrong_type(key, element, "a text or number (or a list of them)");
                        continue;
                    }
                },
            };
            items.push(Placed { value: item, span: element.span() });
        }
        Some(items)
    }

    /// A list of texts (or one text).
    pub fn texts(&self, key: &'static str) -> Option<Vec<Placed<String>>> {
        let items = self.items(key)?;
        let mut texts = Vec::new();
        for item in items {
            match item.value {
                Item::Text(value) => texts.push(Placed { value, span: item.span }),
                Item::Number(number) => self.mistakes.add(
                    item.span,
                    format!("`{key}` in {} holds the number {number}, not a text", self.title),
                    Some("put it in quotes".into()),
                ),
            }
        }
        Some(texts)
    }

    /// A list of words out of several.
    pub fn choices<T: Copy>(&self, key: &'static str, words: &[(&str, T)]) -> Option<Vec<T>> {
        let texts = self.texts(key)?;
        Some(texts.iter().filter_map(|text| self.choose(key, text, words)).collect())
    }

    /// A list of numbers within a range.
    pub fn numbers(
        &self,
        key: &'static str,
        range: std::ops::RangeInclusive<f64>,
        unit: &str,
    ) -> Option<Vec<Placed<f64>>> {
        let items = self.items(key)?;
        let mut numbers = Vec::new();
        for item in items {
            match item.value {
                Item::Number(value) if range.contains(&value) => {
                    numbers.push(Placed { value, span: item.span })
                }
                Item::Number(value) => self.mistakes.add(
                    item.span,
                    format!("`{key}` in {} holds {}", self.title, with_unit(value, unit)),
                    Some(format!(
                        "allowed: {} to {}",
                        with_unit(*range.start(), unit),
                        with_unit(*range.end(), unit)
                    )),
                ),
                Item::Text(text) => self.mistakes.add(
                    item.span,
                    format!("`{key}` in {} holds the text `{text}`, not a number", self.title),
                    Some("write it without quotes and unit".into()),
                ),
            }
        }
        Some(numbers)
    }

    /// A table inside this one.
    pub fn table(&self, key: &'static str) -> Option<Section<'a>> {
        let value = self.find(key)?;
        match value.get_ref() {
            DeValue::Table(table) => {
                let title = if self.title == PLAN {
                    format!("[{key}]")
                } else {
                    format!("`{key}` of {}", self.title)
                };
                Some(self.inner(key, title, table, value.span()))
            }
            _ => {
                self.wrong_type(key, value, "a table");
                None
            }
        }
    }

    /// A list of tables, `[[key]]`.
    pub fn tables(&self, key: &'static str) -> Vec<Section<'a>> {
        let Some(value) = self.find(key) else { return Vec::new() };
        let DeValue::Array(list) = value.get_ref() else {
            self.wrong_type(key, value, &format!("a list of tables, each opened by [[{key}]]"));
            return Vec::new();
        };
        let mut sections = Vec::new();
        for (index, element) in list.iter().enumerate() {
            match element.get_ref() {
                DeValue::Table(table) => {
                    let title = match table.get("name").and_then(|name| name.get_ref().as_str()) {
                        Some(name) => format!("[[{key}]] `{name}`"),
                        None => format!("[[{key}]] number {}", index + 1),
                    };
                    sections.push(self.inner(key, title, table, element.span()));
                }
                _ => self.wrong_type(key, element, "a table"),
            }
        }
        sections
    }

    /// Every key with a number that was not asked for yet, for tables whose keys are names (model values).
    pub fn named_numbers(&self) -> Vec<(Placed<String>, f64)> {
        let mut values = Vec::new();
        let asked = self.known.borrow().clone();
        for (key, value) in self.table.iter().filter(|(key, _)| !asked.contains(&key.get_ref().as_ref())) {
            if let Some(number) = self.to_number(key.get_ref(), value) {
                values.push((Placed { value: key.get_ref().to_string(), span: key.span() }, number));
            }
        }
        values
    }

    /// One of several whole numbers, if present.
    pub fn choices_number(&self, key: &'static str, allowed: &[i64]) -> Option<i64> {
        let number = self.whole(key, i64::MIN..=i64::MAX, "")?;
        if allowed.contains(&number) {
            return Some(number);
        }
        let words: Vec<String> = allowed.iter().map(i64::to_string).collect();
        self.mistake(
            key,
            format!("`{key}` in {} is {number}", self.title),
            format!("allowed: {}", words.join(", ")),
        );
        None
    }

    /// Reports every key that was never asked for. Call it once everything has been read.
    pub fn finish(&self) {
        let known = self.known.borrow();
        for (key, _) in self.table.iter() {
            let word = key.get_ref().as_ref();
            if known.contains(&word) {
                continue;
            }
            if self.mistakes.are_many() {
                // Which key was meant takes longer to find than the mistake, and nobody will read it.
                self.mistakes.add(key.span(), String::new(), None);
                continue;
            }
            let near = earlier_words::todays_key(&self.path, word);
            let trade = trade_words::meant(word).filter(|_| near.is_none());
            let remedy = match (near.or_else(|| nearest(word, known.iter().copied())), trade) {
                (_, Some(meant)) => meant.to_string(),
                (Some(near), None) => format!("did you mean `{near}`?"),
                (None, None) => {
                    let mut list: Vec<String> = known.iter().map(|key| format!("`{key}`")).collect();
                    list.sort();
                    list.dedup();
                    format!("known keys: {}", list.join(", "))
                }
            };
            self.mistakes.add(key.span(), format!("{} has no key `{word}`", self.title), Some(remedy));
        }
    }
}

/// Title of the file's outermost table.
pub const PLAN: &str = "the plan";

/// An element of a list: text or number.
#[derive(Debug, Clone, PartialEq)]
pub enum Item {
    Text(String),
    Number(f64),
}

impl Item {
    /// As written, for names that may be written as numbers (rates).
    pub fn words(&self) -> String {
        match self {
            Item::Text(text) => text.clone(),
            Item::Number(number) => format!("{number}"),
        }
    }
}

fn number_of(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Float(float) => float.as_str().replace('_', "").parse().ok(),
        _ => to_whole(value).map(|whole| whole as f64),
    }
}

fn to_whole(value: &DeValue<'_>) -> Option<i64> {
    let integer = value.as_integer()?;
    i64::from_str_radix(&integer.as_str().replace('_', ""), integer.radix()).ok()
}

fn known_words<T>(words: &[(&str, T)]) -> String {
    let list: Vec<String> = words.iter().map(|(word, _)| format!("`{word}`")).collect();
    format!("known: {}", list.join(", "))
}

fn with_unit(number: f64, unit: &str) -> String {
    let number =
        if number != 0.0 && number.abs() < 1e-3 { format!("{number:e}") } else { format!("{number}") };
    if unit.is_empty() { number } else { format!("{number} {unit}") }
}

fn article(kind: &str) -> String {
    match kind {
        "integer" | "array" => format!("an {kind}"),
        _ => format!("a {kind}"),
    }
}
