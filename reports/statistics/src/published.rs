//! Comparison with published figures: one table of rows, each with section, source mark and tolerance, counted.
//!
//! Marks: R = source text (or a public page quoting it) was read; M = published figure from memory, document text not
//! read; C = computed elsewhere (scipy, mpmath), a regression and no independent publication. R and M rows are
//! published figures; C rows are counted apart.

mod data;
mod designs;
mod fits;
pub(crate) mod gaussian_processes;
mod intervals;
mod library;
mod reference_sets;
mod risk;
pub(crate) mod scipy_fits;
mod stored;
mod tables;
mod traps;
mod uncertainty;

/// Where a figure comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Mark {
    /// Source text read.
    R,
    /// From memory.
    M,
    /// Computed, not published.
    C,
}

/// Collects comparisons.
#[derive(Default)]
struct Table {
    rows: Vec<Row>,
}

struct Row {
    section: &'static str,
    what: String,
    mark: Mark,
    got: f64,
    expected: f64,
    tolerance: f64,
}

impl Row {
    /// NaN never passes.
    fn passes(&self) -> bool {
        (self.got - self.expected).abs() <= self.tolerance
    }
}

/// The comparisons of one section.
struct Section<'a> {
    table: &'a mut Table,
    section: &'static str,
    mark: Mark,
}

impl Table {
    fn section(&mut self, section: &'static str, mark: Mark) -> Section<'_> {
        Section { table: self, section, mark }
    }

    fn count(&self, marks: &[Mark]) -> usize {
        self.rows.iter().filter(|r| marks.contains(&r.mark)).count()
    }
}

impl Section<'_> {
    fn absolute(&mut self, what: impl Into<String>, got: f64, expected: f64, tolerance: f64) {
        let (section, mark) = (self.section, self.mark);
        self.table.rows.push(Row { section, what: what.into(), mark, got, expected, tolerance });
    }

    /// Half a unit of the last printed digit, `digits` after the decimal point.
    fn digits(&mut self, what: impl Into<String>, got: f64, expected: f64, digits: i32) {
        // A hair more than half a unit: the printed value itself is a binary fraction.
        self.absolute(what, got, expected, 0.500_000_1 * 10_f64.powi(-digits));
    }

    fn relative(&mut self, what: impl Into<String>, got: f64, expected: f64, tolerance: f64) {
        self.absolute(what, got, expected, tolerance * expected.abs());
    }

    /// A count or another exact figure.
    fn exact(&mut self, what: impl Into<String>, got: f64, expected: f64) {
        self.absolute(what, got, expected, 0.0);
    }
}

#[test]
fn published_figures() {
    let mut table = Table::default();
    risk::rows(&mut table);
    uncertainty::rows(&mut table);
    reference_sets::rows(&mut table);
    intervals::rows(&mut table);
    designs::rows(&mut table);
    fits::rows(&mut table);
    library::rows(&mut table);
    tables::rows(&mut table);
    let failures: Vec<String> = table
        .rows
        .iter()
        .filter(|r| !r.passes())
        .map(|r| {
            format!(
                "{} | {} ({:?}): got {:e}, expected {:e} +- {:e}",
                r.section, r.what, r.mark, r.got, r.expected, r.tolerance
            )
        })
        .collect();
    let published = table.count(&[Mark::R, Mark::M]);
    let computed = table.count(&[Mark::C]);
    println!(
        "compared {} figures: {published} published ({} source read, {} from memory) and {computed} computed elsewhere",
        table.rows.len(),
        table.count(&[Mark::R]),
        table.count(&[Mark::M]),
    );
    assert!(
        failures.is_empty(),
        "{} of {} differ:\n{}",
        failures.len(),
        table.rows.len(),
        failures.join("\n")
    );
    assert!(published >= 500, "only {published} published figures were compared");
}
