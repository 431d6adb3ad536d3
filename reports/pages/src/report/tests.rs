//! Tests of the page on an invented run: escaping, determinism, size, and what it says when little was measured.

use super::*;
use judge::judged;
use std::collections::{BTreeMap, BTreeSet};

#[path = "../../examples/page_demo/fixture.rs"]
#[allow(dead_code)]
pub(crate) mod fixture;

use fixture::{Demo, EYE, Kind, demo, picture};

pub(super) fn page(demo: &Demo, most: usize) -> String {
    let wanted = wanted_pictures(&demo.run, most);
    let outlines = wanted_outlines(&demo.run, &wanted, most);
    let mut pictures: Vec<(usize, EyePicture)> =
        wanted.iter().map(|(index, eye)| (*index, picture(&demo.run, *index, *eye))).collect();
    for (index, eye) in outlines {
        pictures.push((index, EyePicture { classes: Vec::new(), ..picture(&demo.run, index, eye) }));
    }
    build(&demo.run, &demo.facts, &pictures, &Options::default()).unwrap()
}

/// Opening tags by name, and the number of texts between tags, of everything outside style and script.
fn tags(html: &str) -> (BTreeMap<String, usize>, usize) {
    let mut counts = BTreeMap::new();
    let mut texts = 0;
    let mut rest = html;
    while let Some(at) = rest.find('<') {
        texts += usize::from(at > 0);
        rest = &rest[at + 1..];
        let end = rest.find('>').unwrap();
        let tag = &rest[..end];
        let name: String = tag.chars().take_while(|c| c.is_ascii_alphanumeric()).collect();
        rest = &rest[end + 1..];
        if name == "style" || name == "script" {
            rest = &rest[rest.find(&format!("</{name}>")).unwrap()..];
        }
        if !name.is_empty() {
            *counts.entry(name).or_default() += 1;
        }
    }
    (counts, texts)
}

#[test]
fn the_same_data_gives_the_same_bytes() {
    let (a, b) = (page(&demo(60, Kind::Usual), 12), page(&demo(60, Kind::Usual), 12));
    assert_eq!(a, b);
}

#[test]
fn hostile_names_stay_text() {
    let usual = tags(&page(&demo(60, Kind::Usual), 12)).0;
    let html = page(&demo(60, Kind::Hostile), 12);
    let hostile = tags(&html).0;
    for name in ["script", "style", "title", "img", "b"] {
        assert_eq!(usual.get(name), hostile.get(name), "{name} elements");
    }
    assert!(html.contains("&lt;script&gt;document.title"));
    assert!(html.contains("{{ 7 * 7 }}"), "a name is no template");
    assert!(html.contains("[U+202E]elbaton") && !html.contains('\u{202e}'), "no name turns the text round");
    assert!(!html.contains("<img") && !html.contains("\" onmouseover"));
    assert!(html.contains("&quot; onmouseover=&#x27;x"));
    assert!(html.contains("<details id=\"said-"), "what a hostile agent said is shown as text");
}

#[test]
fn two_thousand_conditions_stay_light() {
    let demo = demo(2000, Kind::Usual);
    assert!(demo.run.conditions.len() > 1800);
    // As many pictures as `report` asks for.
    let wanted = wanted_pictures(&demo.run, 24);
    let outlines = wanted_outlines(&demo.run, &wanted, 60);
    let whole = wanted.iter().map(|(index, eye)| (*index, picture(&demo.run, *index, *eye)));
    let bare = |(index, eye): &(usize, _)| {
        (
            *index,
            EyePicture { classes: Vec::new(), lane_paths: Vec::new(), ..picture(&demo.run, *index, *eye) },
        )
    };
    let pictures: Vec<(usize, EyePicture)> = whole.chain(outlines.iter().map(bare)).collect();
    let html = build(&demo.run, &demo.facts, &pictures, &Options::default()).unwrap();
    let (counts, texts) = tags(&html);
    let elements: usize = counts.values().sum();
    assert!(html.len() <= 5_000_000, "{} bytes", html.len());
    assert!(elements + texts <= 25_000, "{elements} elements and {texts} texts");
    assert!(html.contains("worst conditions of"), "what is left out is said");
}

#[test]
fn a_simulated_run_is_marked_everywhere_and_a_measured_one_nowhere() {
    let html = page(&demo(60, Kind::Usual), 12);
    let (counts, _) = tags(&html);
    let marks = html.matches(SIMULATED).count();
    // Every section heading, and every picture with axes.
    assert!(
        html.split("<h2")
            .skip(1)
            .all(|part| part.split("</h2>").next().is_some_and(|h| h.contains(SIMULATED)))
    );
    for svg in html.split("<svg").skip(1).filter(|svg| svg.contains("viewBox=\"0 0 360")) {
        assert!(svg.split("</svg>").next().is_some_and(|svg| svg.contains(SIMULATED)));
    }
    assert!(marks > counts["section"]);
    assert!(html.contains("@top-right{content:\"SIMULATED - not measured\"}"));
    assert!(!page(&demo(60, Kind::Bench), 12).contains("SIMULATED"));
}

#[test]
fn an_empty_or_interrupted_run_says_so() {
    let empty = page(&demo(60, Kind::Empty), 12);
    assert!(empty.contains("Empty: no job of"));
    assert!(empty.contains("nothing can be said about the margin"));
    assert!(empty.contains("<b>Nothing measured yet</b>") && !empty.contains("<b>Undecided</b>"));
    assert!(empty.contains("End of report"));
    let interrupted = demo(60, Kind::Interrupted);
    let html = page(&interrupted, 12);
    let said =
        format!("Incomplete: {} of {} planned jobs", interrupted.run.jobs_done, interrupted.run.jobs_planned);
    assert!(html.contains(&said));
    assert!(html.contains("have not been run yet"));
    // Nothing at all: not even a condition.
    let mut nothing = demo(60, Kind::Empty);
    nothing.run.conditions.clear();
    nothing.run.left_out.clear();
    nothing.run.level_names.clear();
    nothing.run.planned = 0;
    assert!(page(&nothing, 12).contains("the matrix is empty"));
}

#[test]
fn counts_and_their_words_stand_apart() {
    let demo = demo(60, Kind::Usual);
    assert!(demo.run.beyond_rating.total() > 0);
    let html = page(&demo, 12);
    // As it is copied, read out or searched: without the tags.
    let tiles = html.split("<ul class=\"tiles\"").nth(1).and_then(|part| part.split("</ul>").next()).unwrap();
    let text: String =
        tiles.split('<').filter_map(|part| part.split_once('>')).map(|(_, text)| text).collect();
    let pass = demo.run.beyond_rating.of(judged::Verdict::Pass);
    assert!(pass > 0 && text.contains(&format!("\u{2713} pass and {pass} beyond rating")), "{text}");
    // One of a thing takes the verb of one.
    let mut one = demo;
    one.run.planned = 1;
    one.run.verdicts = judged::VerdictCounts { pass: 1, conditional_fail: 1, ..Default::default() };
    let html = page(&one, 12);
    assert!(html.contains("of 1 condition planned has a verdict"));
    assert!(html.contains("of 2 conditions judged, 1 fails conditionally, 1 passes"));
}

#[test]
fn every_link_has_its_target_and_no_anchor_is_used_twice() {
    for (size, kind) in [(60, Kind::Usual), (60, Kind::Interrupted), (2000, Kind::Usual)] {
        let html = page(&demo(size, kind), 12);
        let mut ids = BTreeSet::new();
        for part in html.split(" id=\"").skip(1) {
            let id = part.split('"').next().unwrap();
            assert!(ids.insert(id.to_string()), "{id} twice");
        }
        for part in html.split("href=\"#").skip(1) {
            let target = part.split('"').next().unwrap();
            assert!(ids.contains(target), "{target} is nowhere");
        }
    }
}

/// A class that gives a drawing its stroke is on no element with text: the stroke would be inherited by every drawing in it.
#[test]
fn strokes_of_drawings_reach_nothing_else() {
    let mut strokes = BTreeSet::new();
    for rule in include_str!("style.css").split('}') {
        let Some((selectors, body)) = rule.rsplit_once('{') else { continue };
        if !body.contains("stroke:") {
            continue;
        }
        let bare = selectors
            .rsplit('{')
            .next()
            .unwrap_or(selectors)
            .split(',')
            .filter_map(|one| one.trim().strip_prefix('.'));
        strokes.extend(bare.filter(|name| name.chars().all(|c| c.is_ascii_alphanumeric() || c == '-')));
    }
    assert!(strokes.len() > 20, "{strokes:?}");
    let html = page(&with_a_budget(), 12);
    assert!(html.contains("<details class=\"more\""));
    for name in ["details", "div", "p", "ul", "li", "table", "tr", "td", "th", "span", "section", "figure"] {
        for tag in html.split(&format!("<{name} ")).skip(1).map(|rest| rest.split('>').next().unwrap_or("")) {
            let classes = tag.split("class=\"").nth(1).and_then(|rest| rest.split('"').next()).unwrap_or("");
            assert!(classes.split(' ').all(|class| !strokes.contains(class)), "<{name} {tag}>");
        }
    }
}

#[test]
fn nothing_is_asked_of_the_network() {
    let html = page(&demo(60, Kind::Usual), 12);
    assert!(html.contains("default-src 'none'"));
    for (attribute, allowed) in [("href=\"", ["#", "data:image/png;base64,"]), ("src=\"", ["#", "data:"])] {
        for part in html.split(attribute).skip(1) {
            assert!(allowed.iter().any(|start| part.starts_with(start)), "{}", &part[..40.min(part.len())]);
        }
    }
    assert!(!html.contains("@import") && !html.contains("url("));
}

#[test]
fn wanted_pictures_hold_the_worst_the_best_and_a_pair() {
    let demo = demo(60, Kind::Usual);
    let wanted = wanted_pictures(&demo.run, 100);
    let worst = demo.run.worst().unwrap();
    let best = rank::best(&demo.run).unwrap();
    assert_eq!(wanted[0], (worst, EYE));
    assert_eq!(wanted[1], (best, EYE));
    let levels = |at: usize| demo.run.conditions[at].condition.levels;
    let partner = |at: usize| {
        let same =
            |other: usize| wanted::without_channel(&levels(at)) == wanted::without_channel(&levels(other));
        wanted.iter().take(8).any(|(other, _)| *other != at && same(*other))
    };
    assert!(partner(worst), "the worst condition is drawn through another channel too");
    for (index, judged) in demo.run.conditions.iter().enumerate().filter(|(_, c)| c.worst().is_some()) {
        if judged.verdict != Some(judged::Verdict::Pass) {
            assert!(wanted.contains(&(index, EYE)), "{}", judged.name);
        }
    }
    assert_eq!(wanted_pictures(&demo.run, 3).len(), 3);
}

#[test]
fn pictures_that_do_not_fit_are_refused_with_words() {
    let demo = demo(60, Kind::Usual);
    let good = picture(&demo.run, 0, EYE);
    let error = |pictures: &[(usize, EyePicture)]| {
        build(&demo.run, &demo.facts, pictures, &Options::default()).unwrap_err().to_string()
    };
    assert!(error(&[(9999, good.clone())]).contains("condition 9999"));
    let short = EyePicture { classes: vec![0; 7], ..good.clone() };
    assert!(error(&[(0, short)]).contains("7 points for a grid of 64 taps"));
    let path = EyePicture { worst_lane_path: "M0 0<".into(), ..good };
    assert!(error(&[(0, path)]).contains("`<`"));
}

#[test]
fn a_picture_reads_back_as_it_was_drawn() {
    use base64::Engine;
    let demo = demo(60, Kind::Usual);
    let mut eye = picture(&demo.run, 0, EYE);
    eye.classes[0] = picture::NOT_MEASURED;
    let scale = picture::Scale::over([&eye].into_iter());
    let uri = scale.data_uri(&eye, picture::Window::whole(&eye.grid)).unwrap();
    let bytes = base64::engine::general_purpose::STANDARD.decode(uri.split(',').nth(1).unwrap()).unwrap();
    let mut decoder = png::Decoder::new(std::io::Cursor::new(bytes));
    decoder.set_transformations(png::Transformations::EXPAND);
    let mut reader = decoder.read_info().unwrap();
    let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
    reader.next_frame(&mut pixels).unwrap();
    // The top row of the picture is the highest Vref step.
    for (index, class) in eye.classes.iter().enumerate() {
        let (tap, step) = (index % 64, index / 64);
        let at = 3 * ((63 - step) * 64 + tap);
        assert_eq!(pixels[at..at + 3], scale.colour(*class));
    }
}

#[test]
fn eyes_judged_by_a_mask_show_it_and_say_its_value() {
    use plan::limits::{MaskSize, Metric};
    let mut demo = demo(60, Kind::Usual);
    demo.facts.limits.retain(|limit| limit.metric == Metric::Width);
    for limit in &mut demo.facts.limits {
        (limit.metric, limit.mask) = (Metric::Mask, Some(MaskSize { height_mv: 60.0, flat: 0.5 }));
    }
    for condition in &mut demo.run.conditions {
        condition.metrics.retain(|metric| metric.metric == Metric::Width);
        for metric in &mut condition.metrics {
            metric.metric = Metric::Mask;
            metric.at_least = true;
        }
    }
    let html = page(&demo, 12);
    assert!(html.contains("mask of the limit, drawn about the operating point"));
    // The masks of this plan are limits of the read eye.
    let cards =
        html.split("<article").skip(1).map(|card| card.split("</article>").next().unwrap_or_default());
    for card in cards.filter(|card| card.contains("<image") && card.contains(", read rank 0 <span")) {
        let path = card.split("class=\"box-limit\" d=\"").nth(1).expect("a mask is drawn").split('"').next();
        assert_eq!(path.map(|path| path.matches('L').count()), Some(5), "a hexagon: {path:?}");
    }
    let overlay = html.split("plot overlay").nth(1).unwrap().split("</figure>").next().unwrap();
    assert!(overlay.contains(": mask \u{2265} ") && !overlay.contains("not judged"), "{overlay}");
    assert!(html.contains("<td class=\"remark\" colspan=\"5\">lower bound"), "a line of its own");
}

#[test]
fn hands_come_before_the_job_at_a_chamber_that_can_be_touched() {
    let demo = demo(60, Kind::Usual);
    let html = page(&demo, 12);
    let table = html.split("Hands-on changes in order").nth(1).unwrap();
    let first = demo.facts.timeline.iter().find(|step| step.hands.is_some()).unwrap();
    let hour = |at: f64| format!("<th scope=\"row\">{}</th>", words::plain(at, 2));
    let hands = first.hands.unwrap();
    assert!(hands.hour_h < first.begin_h);
    assert!(table.contains(&hour(hands.hour_h)), "{:?}", table.get(..400));
}

#[test]
fn the_eye_that_decides_each_direction_is_drawn_and_says_so() {
    use fixture::WRITE;
    let demo = demo(60, Kind::Usual);
    let deciding = deciding_eyes(&demo.run);
    assert_eq!(deciding.iter().map(|(_, eye)| *eye).collect::<Vec<_>>(), [EYE, WRITE]);
    let wanted = wanted_pictures(&demo.run, 5);
    assert!(deciding.iter().all(|eye| wanted.contains(eye)), "{deciding:?} in {wanted:?}");
    let worst_share = |eye| {
        let lanes = demo.run.conditions.iter().filter(|c| !c.beyond_rating).flat_map(|c| &c.metrics);
        lanes
            .filter(|m| m.eye == eye)
            .map(|m| m.margin / m.standard_uncertainty)
            .fold(f64::INFINITY, f64::min)
    };
    for (index, eye) in deciding {
        let own = demo.run.conditions[index].metrics.iter().find(|m| m.eye == eye).unwrap();
        let share = own.margin / own.standard_uncertainty;
        assert!(share <= worst_share(eye).max(-judged::JudgedMetric::CERTAIN) + 1e-9, "{eye}");
    }
    let html = page(&demo, 12);
    for eye in ["read rank 0", "write rank 0"] {
        assert!(html.contains(&format!("Decides {eye}: the worst of its kind")), "{eye}");
    }
    assert!(html.contains("Outline of every lane</summary>"));
}

#[test]
fn an_eye_without_a_limit_is_drawn_by_its_narrowest_lane() {
    use fixture::WRITE;
    let mut demo = demo(60, Kind::Usual);
    for judged in &mut demo.run.conditions {
        judged.metrics.retain(|metric| metric.eye == WRITE);
    }
    let (index, _) = deciding_eyes(&demo.run)[0];
    let narrowest =
        |at: usize| demo.run.conditions[at].lanes[0].width_ps.iter().copied().fold(f32::INFINITY, f32::min);
    let beyond = demo.run.conditions[index].beyond_rating;
    assert!(!beyond);
    for at in (0..demo.run.conditions.len()).filter(|at| !demo.run.conditions[*at].beyond_rating) {
        if !demo.run.conditions[at].lanes.is_empty() {
            assert!(narrowest(index) <= narrowest(at));
        }
    }
    assert!(page(&demo, 12).contains("No limit applies to this eye."));
}

#[test]
fn what_is_assumed_stands_right_under_the_decision() {
    let mut demo = demo(60, Kind::Usual);
    assert!(!page(&demo, 3).contains("Assumed, not measured"));
    demo.run.budgets[0].rows[3].assumed = true;
    let html = page(&demo, 3);
    let top = html
        .split("class=\"sentence\"")
        .nth(1)
        .and_then(|part| part.split("class=\"reasons\"").next())
        .unwrap();
    assert!(top.contains("<li>repeatability width 1.1 ps: repeats of this run</li>"), "{top}");
}

/// A run whose worst eye says what its U is made of.
fn with_a_budget() -> Demo {
    let mut demo = demo(60, Kind::Usual);
    let index = demo.run.worst().unwrap();
    let mut budget = demo.run.budgets[0].clone();
    budget.rows[3].assumed = true;
    demo.run.audit.budgets.push(judge::audit::EyeBudget { condition: index, eye: EYE, budget });
    demo
}

#[test]
fn an_eye_says_what_its_own_uncertainty_is_made_of() {
    let html = page(&with_a_budget(), 3);
    let card = html.split("<article").nth(1).unwrap().split("</article>").next().unwrap();
    assert!(card.contains("U 4.2 ps = 2.00 x 2.10 ps"), "{card}");
    assert!(card.contains("tap nonlinearity 1.30 ps, 39 %") && card.contains("28 % (assumed)"));
}

#[test]
fn a_setup_has_one_colour_in_every_trend() {
    let demo = demo(60, Kind::Usual);
    let margins = distributions::margins(&demo.run);
    let plots = trends::plots(&demo.run, &margins, true);
    assert!(plots.len() >= 8, "read and write, width and height, rate and temperature");
    let mut known: BTreeMap<String, usize> = BTreeMap::new();
    for plot in &plots {
        assert!(plot.title.contains(", read,") || plot.title.contains(", write,"), "{}", plot.title);
        for (slot, name) in &plot.legend {
            assert_eq!(known.entry(name.clone()).or_insert(*slot), slot, "{name} in {}", plot.title);
        }
    }
    assert_eq!(known.len(), 6, "three modules on two channels");
}

#[test]
fn a_what_if_page_is_no_report_and_cannot_be_signed() {
    let mut demo = demo(60, Kind::Usual);
    demo.facts.what_if = Some("judged by the file other.toml".into());
    let html = page(&demo, 3);
    assert!(
        html.contains("<b>What if</b>: judged by the file other.toml.") && !html.contains("class=\"sign\"")
    );
    assert!(html.contains("What-if question to report"), "on every printed page");
}

/// Text of every cell of the table of conditions, row by row.
fn condition_rows(html: &str) -> Vec<Vec<String>> {
    let table = html
        .split("class=\"list conditions\"")
        .nth(1)
        .and_then(|part| part.split("</table>").next())
        .unwrap();
    let body = table.split("<tbody").nth(1).unwrap();
    let cell = |cell: &str| {
        let inner = cell.split("</td>").next().unwrap_or_default();
        inner.split('>').next_back().unwrap_or_default().to_string()
    };
    body.split("<tr").skip(1).map(|row| row.split("<td>").skip(1).map(cell).collect()).collect()
}

#[test]
fn the_list_of_conditions_is_in_the_order_of_the_numbers_it_shows() {
    let rows = condition_rows(&page(&demo(60, Kind::Usual), 3));
    let number = |text: &str| -> f64 {
        let plain: String =
            text.replace('\u{2212}', "-").chars().filter(|c| "-.0123456789".contains(*c)).collect();
        plain.parse().unwrap_or(f64::NAN)
    };
    // Within a verdict, and within those that count: P as printed, then the share of the limit.
    let mut compared = 0;
    for pair in rows.windows(2) {
        let beyond = |row: &[String]| row[4].contains("beyond rating");
        let (a, b) = (&pair[0], &pair[1]);
        if a[0] != b[0] || beyond(a) != beyond(b) || a[2].is_empty() || b[2].is_empty() {
            continue;
        }
        compared += 1;
        let order = number(&a[1]).total_cmp(&number(&b[1])).then(number(&a[2]).total_cmp(&number(&b[2])));
        assert!(order.is_le(), "{a:?} before {b:?}");
    }
    assert!(compared > 10, "{compared}");
}

#[test]
fn the_paper_leaves_out_what_a_signer_does_not_need_and_says_so() {
    let html = page(&demo(350, Kind::Usual), 24);
    let cards = html
        .split("<article class=\"card ")
        .skip(1)
        .filter(|card| card.split('>').next().unwrap().contains("data-eye"));
    let printed = cards.filter(|card| !card.split('"').next().unwrap().contains("screen")).count();
    assert!((2..=12).contains(&printed), "{printed} cards on paper");
    let rows = html
        .split("class=\"list conditions\"")
        .nth(1)
        .and_then(|part| part.split("</table>").next())
        .unwrap();
    let on_paper =
        rows.split("<tr ").skip(1).filter(|row| !row.split('>').next().unwrap().contains("screen")).count();
    assert_eq!(on_paper, 60);
    assert!(html.contains("On paper: the worst 60 of") && html.contains("stand in the file of this report"));
}

/// A pass whose lane read below the limit shows both values beside each other, with what lies between them, wherever it stands.
#[test]
fn a_pass_read_below_its_limit_shows_what_was_read() {
    let mut demo = demo(60, Kind::Usual);
    assert!(!page(&demo, 12).contains('\u{2021}'));
    let index = (0..demo.run.conditions.len())
        .find(|at| {
            let one = &demo.run.conditions[*at];
            !one.beyond_rating && one.verdict == Some(judged::Verdict::Pass)
        })
        .unwrap();
    let metric = &mut demo.run.conditions[index].metrics[0];
    metric.worst_lane.as_read = metric.limit - 2.0;
    metric.worst_lane.centred = 0.5 * (metric.value - metric.worst_lane.as_read);
    let (read, unit) = (words::plain(metric.worst_lane.as_read, 1), metric.metric.base_unit());
    let half = words::signed(metric.worst_lane.centred, 1);
    let pictures = [(index, picture(&demo.run, index, EYE))];
    let html = build(&demo.run, &demo.facts, &pictures, &Options::default()).unwrap();
    let sentence =
        html.split("class=\"sentence\">").nth(1).and_then(|part| part.split("</p>").next()).unwrap();
    assert!(sentence.contains("in 1 pass a lane read below its limit"), "{sentence}");
    assert!(html.contains("1 pass stands where a lane read below its limit in the start measured"));
    let card = html.split("<article").nth(1).and_then(|part| part.split("</article>").next()).unwrap();
    let row = format!(
        "<tr class=\"read\"><th scope=\"row\">as read</th><td>{read}</td><td></td><td>\u{2212}2.0</td><td class=\"side-of-limit\">\u{2021} below the limit</td></tr>"
    );
    assert!(card.contains(&row), "{card}");
    assert!(card.contains(&format!("Judged less read: {half} {unit}: training puts it beside")), "{card}");
    assert!(html.contains("pass&#x2021;\n") && html.contains(&format!("as read \u{2212}2.0 {unit}")));
    let rows = condition_rows(&html);
    let row = rows.iter().find(|row| row[0].contains('\u{2021}')).expect("a line of the list");
    assert!(row[3].contains(&format!("; as read \u{2212}2.0\u{a0}{unit}")), "{row:?}");
}

/// What is worst, and of which set: where conditions beyond rating count, they are in it; where they do not, a worse one is named.
#[test]
fn the_worst_condition_says_of_which_set_it_is() {
    let mut demo = demo(60, Kind::Usual);
    let html = page(&demo, 12);
    assert!(html.contains("<h3>Worst condition within rating</h3>"));
    let beside = demo.run.worse_beside().expect("a worse one beyond rating");
    let of = |html: &str| -> String {
        html.split("class=\"worst-case\"")
            .nth(1)
            .and_then(|part| part.split("</table>").nth(1))
            .unwrap()
            .into()
    };
    let name = demo.run.conditions[beside].name.replace('/', "&#x2f;");
    assert!(
        of(&html).contains("Beyond rating and outside the decision, worse:") && of(&html).contains(&name)
    );
    demo.run.beyond_rating_counts = true;
    assert_eq!(demo.run.worst(), Some(beside));
    let html = page(&demo, 12);
    assert!(html.contains("<h3>Worst condition</h3>") && !html.contains("outside the decision, worse"));
}
