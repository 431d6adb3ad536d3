//! Words of the trade that are no keys of a plan, and the key that is meant.

/// (word in lower case, what to write). Meanings: common practice, no source.
const WORDS: [(&str, &str); 40] = [
    ("3ds", "`stack = \"3DS\"` in [[module]], beside its `kind` (a stack is no kind)"),
    ("ber", "`ber_limit` in [capture] is the bit error ratio at which a point passes"),
    ("bit_error_rate", "`ber_limit` in [capture] is the bit error ratio at which a point passes"),
    ("clock", "`rate` in [matrix] is in MT/s, twice the clock in MHz"),
    (
        "corner",
        "`corner` in [[chip]] is the process-corner label; temperatures and supplies are levels of [matrix]",
    ),
    ("data_rate", "`rate` in [matrix], in MT/s"),
    ("dfe", "`dfe = true` or `false` in [interface] (DDR5, LPDDR5)"),
    ("dimm", "[[module]] declares a module, `kind` says UDIMM, SODIMM, RDIMM or LRDIMM"),
    (
        "ecc",
        "`lanes` in [interface] counts the data lanes with ECC (72 for 64 + 8), `populated_lanes` in [[module]] those it has",
    ),
    ("eye_height", "a [[limit]] with `metric = \"height\"`"),
    ("eye_width", "a [[limit]] with `metric = \"width\"`"),
    ("frequency", "`rate` in [matrix] is in MT/s, twice the clock in MHz"),
    ("guard_band", "`guard_band_factor` in [decision], in units of U, or a `rule` by name"),
    ("guardband", "`guard_band_factor` in [decision], in units of U, or a `rule` by name"),
    ("interposer", "a [[channel]] with `risers`, `adapter`, or measured data (`touchstone`)"),
    (
        "iterations",
        "`repeats` in [repeats] measures again in one mounting, `re_seats` after taking it out, `starts` trains again",
    ),
    (
        "loops",
        "`repeats` in [repeats] measures again in one mounting, `re_seats` after taking it out, `starts` trains again",
    ),
    ("lrdimm", "`kind = \"LRDIMM\"` in [[module]]"),
    ("mask", "a [[limit]] with `metric = \"mask\"`, or `preset = \"DDR4 write mask\"`"),
    ("mhz", "`rate` in [matrix] is in MT/s, twice the clock in MHz"),
    (
        "odt",
        "`termination` in [interface] says which terminations hold, `odt_rd_ohm` in [model] the simulated ohms; on a bench they belong to the settings of the agent",
    ),
    ("prbs", "`pattern` in [matrix], for example \"PRBS31\""),
    ("rdimm", "`kind = \"RDIMM\"` in [[module]]"),
    ("reseat", "`re_seats` in [repeats]"),
    ("reseats", "`re_seats` in [repeats]"),
    ("riser", "`risers` in [[channel]] counts them"),
    ("s2p", "`touchstone` in [[channel]] names the file"),
    ("s4p", "`touchstone` in [[channel]] names the file"),
    ("shmoo", "`mode = \"raster\"` in [capture] measures every point; exact mode certifies the rim"),
    ("slot", "`second_slot` in [[channel]]: \"none\", \"empty\" or \"populated\""),
    ("sodimm", "`kind = \"SODIMM\"` in [[module]]"),
    ("speed", "`rate` in [matrix], in MT/s"),
    ("tdqsq", "the read eye at the capture flops contains it: a [[limit]] on `early margin` or `width`"),
    ("temp", "`temperature_degc` in [matrix], and `temperature_at` for where it is held"),
    ("tqh", "the read eye at the capture flops contains it: a [[limit]] on `late margin` or `width`"),
    ("udimm", "`kind = \"UDIMM\"` in [[module]]"),
    ("vdd", "`vdd_v` in [[supply]]; name the supplies in [matrix]"),
    ("vddq", "`vddq_v` in [[supply]]; name the supplies in [matrix]"),
    ("voltage", "a [[supply]] with `vddq_v` and `vdd_v` is a level of the factor supply"),
    (
        "vref",
        "the sweep of Vref: `vref_steps`, `vref_start_percent` and `vref_step_percent` in [interface.read] or [interface.write]",
    ),
];

/// What a plan says for a word of the trade, as a remedy.
pub(crate) fn meant(word: &str) -> Option<&'static str> {
    let lower = word.to_lowercase();
    WORDS.iter().find(|(known, _)| *known == lower).map(|(_, remedy)| *remedy)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Plan;

    #[test]
    fn trade_words_are_sorted_and_none_is_a_key() {
        assert!(WORDS.is_sorted_by(|a, b| a.0 < b.0), "sorted, each once");
        let keys = Plan::vocabulary(include_str!("../../library/every-key.toml"));
        for (word, _) in WORDS {
            // `corner`, `mask` and the like are keys of one table and asked for in others.
            assert!(!keys.iter().any(|(path, key)| path.is_empty() && key == word), "{word}");
        }
    }

    #[test]
    fn a_trade_word_is_answered_with_the_key_that_is_meant() {
        let text = include_str!("../../library/quick-look.toml");
        let remedy = |from: &str, to: &str| {
            let mistakes = Plan::read(&text.replacen(from, to, 1)).expect_err("a mistake");
            mistakes.iter().filter_map(|mistake| mistake.remedy.clone()).collect::<Vec<_>>().join("; ")
        };
        assert!(remedy("ber_limit = 1e-6", "BER = 1e-6").contains("`ber_limit` in [capture]"));
        assert!(remedy("lanes = 72", "lanes = 72\nODT = 48").contains("`odt_rd_ohm` in [model]"));
        assert!(remedy("kind = \"RDIMM\"", "RDIMM = true").contains("`kind = \"RDIMM\"` in [[module]]"));
        assert!(remedy("kind = \"SODIMM\"", "kind = \"3DS\"").contains("`stack = \"3DS\"`"));
        assert!(remedy("kind = \"SODIMM\"", "kind = \"sodimm\"").contains("did you mean `SODIMM`?"));
        assert!(remedy("mode = \"exact\"", "mode = \"exact\"\ndfe = 4").contains("`dfe = true`"));
        assert!(remedy("mode = \"exact\"", "mode = \"shmoo\"").contains("`mode = \"raster\"`"));
        assert!(remedy("rate = [2400, 2667, 3200]", "speed = [2400]").contains("`rate` in [matrix]"));
    }
}
