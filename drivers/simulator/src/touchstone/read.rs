//! Reads the text of a Touchstone file: lines, sections, numbers by count, matrices.

use super::convert::{denormalised, to_scattering};
use super::error::TouchstoneError;
use super::header::{Keywords, MatrixFormat, Options, Parameter, number};
use super::matrix::Matrix;
use super::{HIGHEST_HZ, MOST_BYTES, MOST_POINTS, MOST_PORTS, REFERENCE_OHM, Touchstone};
use rustfft::num_complex::Complex64;

/// Numbers of one row of a noise block: frequency, noise figure, source reflection (two), noise resistance.
const NOISE_ROW: usize = 5;
/// Most numbers of a file: every frequency with a full four-port matrix.
const MOST_NUMBERS: usize = MOST_POINTS * (1 + 2 * MOST_PORTS * MOST_PORTS);

/// Ports by the ending of a file's name, `.s1p` to `.s4p` (any case); other counts too, so that they can be refused.
#[must_use]
pub fn ports_in_name(name: &str) -> Option<usize> {
    let (_, ending) = name.rsplit_once('.')?;
    let middle = ending.strip_prefix(['s', 'S'])?.strip_suffix(['p', 'P'])?;
    middle.bytes().all(|b| b.is_ascii_digit()).then(|| middle.parse().ok()).flatten()
}

/// Refuses a file by its size, before it is read.
///
/// # Errors
/// Empty, or beyond [`MOST_BYTES`].
pub fn check_size(bytes: u64) -> Result<(), TouchstoneError> {
    if bytes == 0 {
        return Err(TouchstoneError::at(0, "the file is empty; export the measurement again"));
    }
    if bytes > MOST_BYTES {
        return Err(TouchstoneError::at(
            0,
            format!(
                "the file has {bytes} bytes; at most {MOST_BYTES} are read: export fewer points or ports"
            ),
        ));
    }
    Ok(())
}

/// Reads a file's bytes. `ports`: the port count from the file's name, which version 1.x needs
/// ([`ports_in_name`]); a version 2.0 file states its own.
///
/// # Errors
/// The first line that does not fit the format or its limits, with what is allowed.
pub fn read(bytes: &[u8], ports: Option<usize>) -> Result<Touchstone, TouchstoneError> {
    check_size(bytes.len() as u64)?;
    if let Some(at) = bytes.iter().position(|byte| *byte == 0) {
        let line = 1 + bytes.iter().take(at).filter(|byte| **byte == b'\n').count();
        return Err(TouchstoneError::at(
            line,
            "a zero byte: the file is not text; export it as plain text (ASCII)",
        ));
    }
    let text = String::from_utf8_lossy(bytes);
    let mut reader = Reader::default();
    for (index, line) in text.trim_start_matches('\u{feff}').lines().enumerate() {
        reader.line(line, index + 1)?;
        if reader.section == Section::Ended {
            break;
        }
    }
    reader.finish(ports)
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum Section {
    /// Before any data.
    #[default]
    Header,
    /// Inside `[Begin Information]`.
    Information,
    Data,
    Noise,
    Ended,
}

/// What has been read so far.
#[derive(Default)]
struct Reader {
    section: Section,
    version: Option<String>,
    options: Option<Options>,
    keywords: Keywords,
    numbers: Vec<f64>,
    /// Line of each number.
    lines: Vec<u32>,
    /// Numbers of a `[Noise Data]` section.
    noise_numbers: usize,
    has_data_keyword: bool,
    has_end: bool,
    last_line: usize,
    remarks: Vec<String>,
}

impl Reader {
    fn line(&mut self, raw: &str, line: usize) -> Result<(), TouchstoneError> {
        self.last_line = line;
        let (text, comment) = raw.split_once('!').unwrap_or((raw, ""));
        if comment.contains("Port Impedance") {
            self.remark(
                line,
                "a comment states port impedances: comments are not part of the format and are ignored",
            );
        }
        let text = text.trim();
        if text.is_empty() {
            return Ok(());
        }
        if let Some(rest) = text.strip_prefix('[') {
            let Some((keyword, value)) = rest.split_once(']') else {
                return Err(TouchstoneError::at(
                    line,
                    format!("`{}` has no closing bracket", shortened(text)),
                ));
            };
            let words: Vec<&str> = keyword.split_whitespace().collect();
            return self.keyword(&words.join(" ").to_lowercase(), value.trim(), line);
        }
        if self.section == Section::Information {
            return Ok(());
        }
        if let Some(rest) = text.strip_prefix('#') {
            if self.options.is_some() {
                self.remark(line, "a second option line, ignored: the first one counts");
                return Ok(());
            }
            self.options = Some(Options::read(rest, line)?);
            return Ok(());
        }
        self.data(text, line)
    }

    fn remark(&mut self, line: usize, text: &str) {
        // A comment or option line repeated on every line says nothing new.
        if self.remarks.len() < 20 {
            self.remarks.push(format!("line {line}: {text}"));
        }
    }

    fn keyword(&mut self, keyword: &str, value: &str, line: usize) -> Result<(), TouchstoneError> {
        let refuse = |message: String| Err(TouchstoneError::at(line, message));
        if keyword == "version" {
            if self.version.is_some() || self.options.is_some() || !self.numbers.is_empty() {
                return refuse("[Version] has to be the first line that is not a comment, once".into());
            }
            if value != "2.0" && value != "2.1" {
                return refuse(format!("[Version] is `{}`; allowed: 2.0 or 2.1", shortened(value)));
            }
            self.version = Some(value.to_string());
            return Ok(());
        }
        if self.version.is_none() {
            return refuse(format!(
                "[{}] before [Version] 2.0: add it as the first line",
                shortened(keyword)
            ));
        }
        if self.section == Section::Information {
            if keyword == "end information" {
                self.section = Section::Header;
            }
            return Ok(());
        }
        match keyword {
            "begin information" => self.section = Section::Information,
            "network data" => {
                if self.has_data_keyword {
                    return refuse("a second [Network Data]; a file holds one network".into());
                }
                self.has_data_keyword = true;
                self.section = Section::Data;
            }
            "noise data" => self.section = Section::Noise,
            "end" => {
                self.has_end = true;
                self.section = Section::Ended;
            }
            _ if self.section != Section::Header => {
                return refuse(format!(
                    "[{}] inside the data; allowed: [Noise Data] and [End]",
                    shortened(keyword)
                ));
            }
            _ => {
                if !self.keywords.take(keyword, value, line)? {
                    return refuse(format!(
                        "[{}] is not known; allowed: Version, Number of Ports, Two-Port Data Order, Number of Frequencies, \
                         Number of Noise Frequencies, Reference, Matrix Format, Mixed-Mode Order, Begin Information, End \
                         Information, Network Data, Noise Data, End",
                        shortened(keyword)
                    ));
                }
            }
        }
        Ok(())
    }

    fn data(&mut self, text: &str, line: usize) -> Result<(), TouchstoneError> {
        if self.section == Section::Header {
            if self.version.is_some() {
                if self.keywords.wants_reference() {
                    return self.keywords.more_reference(text, line);
                }
                return Err(TouchstoneError::at(
                    line,
                    format!("`{}` before [Network Data]; put data below that keyword", shortened(text)),
                ));
            }
            if self.options.is_none() {
                return Err(TouchstoneError::at(
                    line,
                    format!(
                        "`{}` before the option line; add `# GHz S MA R 50` (or what the data is) above the data",
                        shortened(text)
                    ),
                ));
            }
            self.section = Section::Data;
        }
        for token in text.split_whitespace() {
            let Some(value) = number(token) else {
                return Err(TouchstoneError::at(
                    line,
                    format!("`{}` is not a finite number; write comments after `!`", shortened(token)),
                ));
            };
            if self.section == Section::Noise {
                self.noise_numbers += 1;
                continue;
            }
            if self.numbers.len() == MOST_NUMBERS {
                return Err(TouchstoneError::at(
                    line,
                    format!("more than {MOST_NUMBERS} numbers; export fewer points or ports"),
                ));
            }
            self.numbers.push(value);
            self.lines.push(line as u32);
        }
        Ok(())
    }

    fn finish(mut self, ports_in_name: Option<usize>) -> Result<Touchstone, TouchstoneError> {
        let end = self.last_line;
        if self.section == Section::Information {
            return Err(TouchstoneError::at(end, "[Begin Information] is not closed; add [End Information]"));
        }
        let ports = self.ports(ports_in_name)?;
        let Some(options) = self.options.take() else {
            return Err(TouchstoneError::at(
                end,
                "there is no option line; add `# GHz S MA R 50` or what the data is",
            ));
        };
        if ports != 2 && matches!(options.parameter, Parameter::G | Parameter::H) {
            return Err(TouchstoneError::at(
                0,
                format!(
                    "{} parameters of {ports} ports; they exist for 2 ports only",
                    options.parameter.name()
                ),
            ));
        }
        let reference = self.reference(ports, &options)?;
        let layout = self.layout(ports)?;
        let Records { points: records, noise_points } = self.records(layout.cells.len())?;
        let mut frequency_hz = Vec::with_capacity(records.len());
        let mut scattering = Vec::with_capacity(records.len());
        for (record, line) in &records {
            frequency_hz.push(self.frequency(
                record,
                options.unit_hz,
                frequency_hz.last().copied(),
                *line,
            )?);
            let mut matrix = layout.matrix(record.get(1..).unwrap_or_default(), &options);
            if self.version.is_none() {
                matrix = denormalised(
                    options.parameter,
                    &matrix,
                    reference.first().copied().unwrap_or(REFERENCE_OHM),
                );
            }
            let converted = to_scattering(options.parameter, &matrix, &reference, REFERENCE_OHM);
            scattering.push(converted.ok_or_else(|| {
                TouchstoneError::at(
                    *line,
                    "the values at this frequency have no scattering parameters (not finite)",
                )
            })?);
        }
        if self.version.is_some() && !self.has_end {
            self.remarks.push("the file ends without [End], although its counts are right".into());
        }
        Ok(Touchstone {
            version: self.version.unwrap_or_else(|| "1".into()),
            parameter: options.parameter,
            format: options.format,
            ports,
            file_reference_ohm: reference,
            frequency_hz,
            scattering,
            noise_points,
            remarks: self.remarks,
        })
    }

    fn ports(&mut self, in_name: Option<usize>) -> Result<usize, TouchstoneError> {
        if self.version.is_some() {
            let Some(ports) = self.keywords.ports else {
                return Err(TouchstoneError::at(self.last_line, "[Number of Ports] is missing; add it"));
            };
            if let Some(name) = in_name
                && name != ports
            {
                self.remarks.push(format!(
                    "the file's name says {name} ports, [Number of Ports] says {ports}: the keyword counts"
                ));
            }
            return Ok(ports);
        }
        match in_name {
            Some(ports) if (1..=MOST_PORTS).contains(&ports) => Ok(ports),
            Some(ports) => Err(TouchstoneError::at(
                0,
                format!(
                    "the file's name says {ports} ports; 1 to {MOST_PORTS} are read: export one or two through paths"
                ),
            )),
            None => Err(TouchstoneError::at(
                0,
                "the file's name does not say how many ports there are; let it end in .s1p, .s2p, .s3p or .s4p",
            )),
        }
    }

    /// Reference impedance of each port.
    fn reference(&self, ports: usize, options: &Options) -> Result<Vec<f64>, TouchstoneError> {
        let (values, keyword) = match &self.keywords.reference_ohm {
            Some(values) => (values, "[Reference]"),
            None => (&options.resistance_ohm, "R"),
        };
        match values.len() {
            count if count == ports => {}
            1 if self.keywords.reference_ohm.is_none() => return Ok(vec![values[0]; ports]),
            count => {
                return Err(TouchstoneError::at(
                    0,
                    format!("{keyword} has {count} numbers for {ports} ports; write one a port"),
                ));
            }
        }
        let differ = values.iter().any(|value| Some(value) != values.first());
        if differ && self.version.is_none() && options.parameter != Parameter::S {
            return Err(TouchstoneError::at(
                0,
                "different references a port with normalised parameters; export scattering parameters instead",
            ));
        }
        Ok(values.clone())
    }

    fn layout(&self, ports: usize) -> Result<Layout, TouchstoneError> {
        let missing = |keyword: &str| {
            Err(TouchstoneError::at(self.last_line, format!("[{keyword}] is missing; add it above the data")))
        };
        let mut transposed = ports == 2;
        if self.version.is_some() {
            if !self.has_data_keyword {
                return missing("Network Data");
            }
            if self.keywords.points.is_none() {
                return missing("Number of Frequencies");
            }
            match self.keywords.order_21_12 {
                Some(order) => transposed = ports == 2 && order,
                None if ports == 2 => return missing("Two-Port Data Order"),
                None => {}
            }
        }
        let all = (0..ports).flat_map(|i| (0..ports).map(move |j| (i, j)));
        let matrix = self.keywords.matrix;
        let cells: Vec<(usize, usize)> = match matrix {
            MatrixFormat::Full => all.map(|(i, j)| if transposed { (j, i) } else { (i, j) }).collect(),
            MatrixFormat::Lower => all.filter(|(i, j)| j <= i).collect(),
            MatrixFormat::Upper => all.filter(|(i, j)| j >= i).collect(),
        };
        Ok(Layout { ports, cells, symmetric: matrix != MatrixFormat::Full })
    }

    /// Cuts the numbers into points; what follows a fall in frequency in a two-port is its noise block.
    fn records(&self, cells: usize) -> Result<Records<'_>, TouchstoneError> {
        let size = 1 + 2 * cells;
        let total = self.numbers.len();
        let line_of = |lines: &[u32], at: usize| lines.get(at).map_or(0, |line| *line as usize);
        let mut used = total;
        if self.version.is_none() && cells == 4 {
            // A two-port's noise block starts where the frequency falls.
            let mut last = f64::NEG_INFINITY;
            for at in (0..total).step_by(size) {
                let frequency = self.numbers[at];
                if frequency <= last {
                    used = at;
                    break;
                }
                last = frequency;
            }
        }
        let noise = total - used;
        if noise > 0 {
            self.check_noise(used)?;
        }
        if used == 0 {
            return Err(TouchstoneError::at(
                self.last_line,
                "there is no data; export the measurement again",
            ));
        }
        if !used.is_multiple_of(size) {
            let start = used - used % size;
            return Err(TouchstoneError::at(
                line_of(&self.lines, start),
                format!(
                    "the point that starts here has {} of {size} numbers; the file is cut or its name says the wrong \
                         number of ports",
                    used % size
                ),
            ));
        }
        if used / size > MOST_POINTS {
            return Err(TouchstoneError::at(
                line_of(&self.lines, MOST_POINTS * size),
                format!("more than {MOST_POINTS} frequencies; export fewer"),
            ));
        }
        if let Some(points) = self.keywords.points
            && points != used / size
        {
            return Err(TouchstoneError::at(
                self.last_line,
                format!(
                    "[Number of Frequencies] is {points}, the data has {}; the file is cut or changed",
                    used / size
                ),
            ));
        }
        if !self.noise_numbers.is_multiple_of(NOISE_ROW) {
            return Err(TouchstoneError::at(
                self.last_line,
                format!("[Noise Data] has {} numbers, no whole rows of {NOISE_ROW}", self.noise_numbers),
            ));
        }
        let noise_points = noise / NOISE_ROW + self.noise_numbers / NOISE_ROW;
        let points = self.numbers[..used].chunks_exact(size).enumerate();
        let points = points.map(|(i, record)| (record, line_of(&self.lines, i * size))).collect();
        Ok(Records { points, noise_points })
    }

    /// What follows a fall in frequency has to be whole rows of noise data with ascending frequencies.
    fn check_noise(&self, start: usize) -> Result<(), TouchstoneError> {
        let rows = self.numbers.get(start..).unwrap_or_default();
        let frequencies: Vec<f64> = rows.iter().copied().step_by(NOISE_ROW).collect();
        let ascending = frequencies.windows(2).all(|pair| pair[0] < pair[1]);
        if rows.len().is_multiple_of(NOISE_ROW) && ascending {
            return Ok(());
        }
        Err(TouchstoneError::at(
            self.lines.get(start).map_or(0, |line| *line as usize),
            "the frequency does not rise here, and what follows is no noise block (rows of 5 numbers, frequency rising); \
             sort the data by frequency, each frequency once",
        ))
    }

    fn frequency(
        &self,
        record: &[f64],
        unit_hz: f64,
        last: Option<f64>,
        line: usize,
    ) -> Result<f64, TouchstoneError> {
        let frequency = record.first().copied().unwrap_or(0.0) * unit_hz;
        if !(0.0..=HIGHEST_HZ).contains(&frequency) {
            return Err(TouchstoneError::at(
                line,
                format!(
                    "a frequency of {frequency} Hz; allowed: 0 to {HIGHEST_HZ} Hz: check the unit in the option line"
                ),
            ));
        }
        if let Some(last) = last
            && frequency <= last
        {
            return Err(TouchstoneError::at(
                line,
                format!(
                    "the frequency {frequency} Hz does not rise above the one before, {last} Hz; sort the data, or the \
                     file's name says the wrong number of ports"
                ),
            ));
        }
        Ok(frequency)
    }
}

/// The numbers of a file cut into points.
struct Records<'a> {
    /// Frequency and values of each point, with the line it starts on.
    points: Vec<(&'a [f64], usize)>,
    noise_points: usize,
}

/// Which cell of the matrix each pair of numbers of a record is.
struct Layout {
    ports: usize,
    cells: Vec<(usize, usize)>,
    symmetric: bool,
}

impl Layout {
    fn matrix(&self, values: &[f64], options: &Options) -> Matrix {
        let mut cells = [[Complex64::new(0.0, 0.0); MOST_PORTS]; MOST_PORTS];
        for ((i, j), pair) in self.cells.iter().zip(values.chunks_exact(2)) {
            let value = options.format.complex(pair[0], pair[1]);
            cells[*i][*j] = value;
            if self.symmetric {
                cells[*j][*i] = value;
            }
        }
        Matrix::from_fn(self.ports, |i, j| cells[i][j])
    }
}

/// The start of a piece of the file, short enough for a message.
fn shortened(text: &str) -> String {
    let mut short: String = text.chars().take(40).filter(|c| !c.is_control()).collect();
    if text.chars().nth(40).is_some() {
        short.push_str("...");
    }
    short
}
