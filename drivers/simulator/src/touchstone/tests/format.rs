//! The format: option line, order, counts, keywords, errors. The short files follow the examples of the Touchstone
//! specification as remembered (from memory), shortened and with values of our own.

use super::super::{Format, HIGHEST_HZ, MOST_BYTES, Parameter, TouchstoneError, check_size, ports_in_name};
use super::{close, complex, read, refused};

#[test]
fn one_port_with_comments_anywhere() {
    let text = "! 1-port, room state only\n# MHz S MA R 75 ! the option line\n!freq magZ angZ\n100 0.99 -4 ! near\n\n\
                200 0.80 -22\n! between\n300 0.707 -45";
    let data = read(text, 1);
    assert_eq!((data.ports, data.format, data.parameter), (1, Format::MagnitudeAngle, Parameter::S));
    assert_eq!(data.frequency_hz, [100e6, 200e6, 300e6]);
    // 0.99 at -4 degrees on 75 ohm, by Z = 75 (1+S)/(1-S), S' = (Z-50)/(Z+50).
    let s = rustfft::num_complex::Complex64::from_polar(0.99, (-4f64).to_radians());
    let z = (s + 1.0) / (-s + 1.0) * 75.0;
    assert!(close(data.scattering[0].at(0, 0), (z - 50.0) / (z + 50.0), 1e-12));
}

#[test]
fn two_port_order_is_by_columns_and_options_come_in_any_order() {
    for options in [
        "# GHz S RI R 50",
        "#R 50 ri S ghz",
        "# s R 50.0 RI",
        "# RI",
        "# ghz ri",
        "#\tRI\tGHZ\tr\t50\ts",
        "# R 5e1 RI",
    ] {
        let data = read(&format!("{options}\n1 .11 0 .21 .1 .12 .2 .22 0\n2 .11 0 .21 .1 .12 .2 .22 0\n"), 2);
        let s = data.scattering[0];
        assert_eq!((s.at(0, 0), s.at(1, 0)), (complex(0.11, 0.0), complex(0.21, 0.1)), "{options}");
        assert_eq!((s.at(0, 1), s.at(1, 1)), (complex(0.12, 0.2), complex(0.22, 0.0)), "{options}");
        assert_eq!(data.frequency_hz[0], 1e9);
    }
}

#[test]
fn a_bare_option_line_means_ghz_s_ma_r_50() {
    let data = read("#\n2 0.5 90\n", 1);
    assert_eq!((data.frequency_hz[0], data.format), (2e9, Format::MagnitudeAngle));
    assert!(close(data.scattering[0].at(0, 0), complex(0.0, 0.5), 1e-15));
    assert_eq!(data.file_reference_ohm, [50.0]);
}

#[test]
fn decibels_are_of_voltage() {
    let data = read("# Hz S DB R 50\n5 -20 180\n", 1);
    assert!(close(data.scattering[0].at(0, 0), complex(-0.1, 0.0), 1e-15));
}

#[test]
fn four_port_rows_may_break_anywhere() {
    let rows: Vec<String> =
        (1..=4).map(|i| (1..=4).map(|j| format!("0.0{i}{j} 0 ")).collect::<String>()).collect();
    let by_rows = format!("# GHz S RI\n5 {}\n{}\n{}\n{}\n", rows[0], rows[1], rows[2], rows[3]);
    let one_line = format!("# GHz S RI\n5 {}\n", rows.concat());
    let broken = format!("# GHz S RI\n{}", format!("5 {}", rows.concat()).replace(' ', "\n"));
    for text in [by_rows, one_line, broken] {
        let s = read(&text, 4).scattering[0];
        for (i, j) in (0..4).flat_map(|i| (0..4).map(move |j| (i, j))) {
            let value = format!("0.0{}{}", i + 1, j + 1).parse().unwrap();
            assert_eq!(s.at(i, j), complex(value, 0.0));
        }
    }
    let three = read("# GHz S RI\n1 .11 0 .12 0 .13 0\n .21 0 .22 0 .23 0\n .31 0 .32 0 .33 0\n", 3);
    assert_eq!(three.scattering[0].at(1, 2), complex(0.23, 0.0));
}

#[test]
fn a_noise_block_is_read_past() {
    let text = "! NETWORK PARAMETERS\n# GHz S MA R 50\n2 .95 -26 3.57 157 .04 76 .66 -14\n\
                22 .60 -144 1.30 40 .14 40 .56 -85\n! NOISE PARAMETERS\n4 .7 .64 69 .38\n18 2.7 .46 -33 .40\n";
    let data = read(text, 2);
    assert_eq!((data.frequency_hz.len(), data.noise_points), (2, 2));
    // A row that falls but is no noise block is refused at its line.
    let error = refused("# GHz S RI\n2 0 0 1 0 1 0 0 0\n1 0 0 1 0 1 0 0 0\n", 2);
    assert_eq!(error.line, 3, "{error}");
}

#[test]
fn normalised_parameters_of_version_1() {
    // z = Z/R, y = Y R, h11 = H11/R, h22 = H22 R, g11 = G11 R, g22 = G22/R. A series 25 ohm resistor and a shunt one,
    // on R = 100: from memory of the format; the files that scikit-rf writes confirm it.
    let matched = |text: &str, s11: f64, s21: f64| {
        let s = read(text, 2).scattering[0];
        assert!(close(s.at(0, 0), complex(s11, 0.0), 1e-12), "{text}: {}", s.at(0, 0));
        assert!(close(s.at(1, 0), complex(s21, 0.0), 1e-12), "{text}: {}", s.at(1, 0));
        assert!(close(s.at(0, 1), complex(s21, 0.0), 1e-12), "{text}: {}", s.at(0, 1));
        assert!(close(s.at(1, 1), complex(s11, 0.0), 1e-12), "{text}: {}", s.at(1, 1));
    };
    // Series R: S11 = R/(R + 2 z0) = 0.2, S21 = 2 z0/(R + 2 z0) = 0.8. Shunt R: S11 = -z0/(2R + z0), S21 = 2R/(2R + z0).
    matched("# GHz Y RI R 100\n1 4 0 -4 0 -4 0 4 0\n", 0.2, 0.8);
    matched("# GHz Z RI R 100\n1 .25 0 .25 0 .25 0 .25 0\n", -0.5, 0.5);
    // Series R: H11 = 25 ohm, H12 = 1, H21 = -1, H22 = 0; file order N11 N21 N12 N22.
    matched("# GHz H RI R 100\n1 .25 0 -1 0 1 0 0 0\n", 0.2, 0.8);
    // Shunt R: H11 = 0, H12 = 1, H21 = -1, H22 = 1/25 S.
    matched("# GHz H RI R 100\n1 0 0 -1 0 1 0 4 0\n", -0.5, 0.5);
    // Series R: G11 = 0, G12 = -1, G21 = 1, G22 = 25 ohm. Shunt R: G11 = 1/25 S, G12 = -1, G21 = 1, G22 = 0.
    matched("# GHz G RI R 100\n1 0 0 1 0 -1 0 .25 0\n", 0.2, 0.8);
    matched("# GHz G RI R 100\n1 4 0 1 0 -1 0 0 0\n", -0.5, 0.5);
    // Version 2.0 has no normalisation.
    let two = "[Version] 2.0\n# GHz Y RI R 100\n[Number of Ports] 2\n[Two-Port Data Order] 12_21\n\
               [Number of Frequencies] 1\n[Network Data]\n1 .04 0 -.04 0 -.04 0 .04 0\n[End]\n";
    matched(two, 0.2, 0.8);
}

const FOUR_BY_TWO: &str = "! comment first\n[Version] 2.0\n# GHz S RI R 50\n[Number of Ports] 4\n[Reference] 50 75\n\
    0.01 0.01\n[Number of Frequencies] 1\n[Matrix Format] Lower\n[Begin Information]\n[Anything] at all\nfree text 1 2\n\
    [End Information]\n[Network Data]\n5 .11 0\n.21 0 .22 0\n.31 0 .32 0 .33 0\n.41 0 .42 0 .43 0 .44 0\n[End]\n\
    what follows the end is not read\n";

#[test]
fn version_2_keywords() {
    let data = read(FOUR_BY_TWO, 4);
    assert_eq!(data.file_reference_ohm, [50.0, 75.0, 0.01, 0.01]);
    assert_eq!(data.version, "2.0");
    let order = |order: &str| {
        let text = format!(
            "[Version] 2.0\n# Hz S RI\n[number of ports] 2\n[Two-Port Data Order] {order}\n[Number of Frequencies] 1\n\
             [Number of Noise Frequencies] 1\n[Network Data]\n1 .11 0 .5 0 .6 0 .22 0\n[Noise Data]\n1 2 3 4 5\n[End]"
        );
        let data = read(&text, 2);
        assert_eq!(data.noise_points, 1);
        (data.scattering[0].at(0, 1).re, data.scattering[0].at(1, 0).re)
    };
    assert_eq!((order("12_21"), order("21_12")), ((0.5, 0.6), (0.6, 0.5)));
    let upper = FOUR_BY_TWO.replace("Lower", "Upper").replace("0.01 0.01", "50 50").replace("50 75", "50 50");
    let s = read(&upper, 4).scattering[0];
    assert_eq!(
        (s.at(0, 3), s.at(3, 0), s.at(1, 1)),
        (complex(0.31, 0.0), complex(0.31, 0.0), complex(0.32, 0.0))
    );
}

/// A symmetric matrix written by its lower triangle and all ports on 50 ohm is taken as it is.
#[test]
fn lower_triangle_is_mirrored() {
    let text = FOUR_BY_TWO.replace("0.01 0.01", "50 50").replace("50 75", "50 50");
    let s = read(&text, 4).scattering[0];
    assert_eq!(
        (s.at(0, 3), s.at(3, 0), s.at(2, 1)),
        (complex(0.41, 0.0), complex(0.41, 0.0), complex(0.32, 0.0))
    );
}

#[test]
fn errors_name_line_value_and_remedy() {
    let two = |body: &str| {
        format!("[Version] 2.0\n# Hz S RI\n[Number of Ports] 1\n[Number of Frequencies] 1\n{body}\n")
    };
    let table: &[(String, usize, &str)] = &[
        ("# GHz S MQ\n1 0 0\n".into(), 1, "`MQ`"),
        ("# GHz MHz\n1 0 0\n".into(), 1, "second time"),
        ("# R\n1 0 0\n".into(), 1, "R 50"),
        ("# R -50\n1 0 0\n".into(), 1, "0.01 to 1000000"),
        ("# R 0\n1 0 0\n".into(), 1, "0.01"),
        ("1 0 0\n# GHz\n".into(), 1, "option line"),
        ("! nothing\n".into(), 1, "option line"),
        ("# GHz\n! only comments\n".into(), 2, "no data"),
        ("# GHz\n1 0 0\n2 0\n".into(), 3, "2 of 3"),
        ("# GHz\n1 0 zero\n".into(), 2, "`zero`"),
        ("# GHz\n1 0 nan\n".into(), 2, "`nan`"),
        ("# GHz\n1 0 inf\n".into(), 2, "`inf`"),
        ("# GHz\n1 0 1e999\n".into(), 2, "`1e999`"),
        ("# GHz S DB\n1 1e300 0\n".into(), 2, "not finite"),
        ("# GHz\n-1 0 0\n".into(), 2, "0 to"),
        ("# GHz\n1e9 0 0\n".into(), 2, "unit"),
        ("# GHz\n1 0 0\n1 0 0\n".into(), 3, "rise"),
        ("# GHz H\n1 0 0\n".into(), 0, "2 ports only"),
        ("# GHz Z RI\n1 -1 0\n".into(), 2, "scattering"),
        ("[Version] 3.0\n# GHz\n".into(), 1, "2.0"),
        ("# GHz\n[Version] 2.0\n1 0 0".into(), 2, "first line"),
        ("[Number of Ports] 1\n# GHz\n1 0 0".into(), 1, "[Version]"),
        ("[Version] 2.0\n# GHz\n[Number of Ports] 8\n".into(), 3, "1 to 4"),
        ("[Version] 2.0\n# GHz\n[Network Data]\n1 0 0\n".into(), 4, "[Number of Ports]"),
        (two("1 0 0"), 5, "[Network Data]"),
        (two("[Network Data"), 5, "bracket"),
        (two("[Network Data]\n1 0 0\n2 0 0\n[End]"), 8, "is 1, the data has 2"),
        (two("[Number of Frequencies] 99999999999999999999"), 5, "1 to 200000"),
        (two("[Number of Frequencies] 200001"), 5, "1 to 200000"),
        (two("[Reference] fifty"), 5, "`fifty`"),
        (two("[Reference] 50 50\n[Network Data]\n1 0 0\n[End]"), 5, "more than 1"),
        (two("[Nonsense] 5"), 5, "not known"),
        (two("[Mixed-Mode Order] D2,3 C2,3"), 5, "single-ended"),
        (two("[Network Data]\n1 0 0\n[Matrix Format] Full\n[End]"), 7, "inside the data"),
        (two("[Network Data]\n[Network Data]\n1 0 0\n[End]"), 6, "second"),
        (two("[Begin Information]\n1 0 0"), 6, "[End Information]"),
    ];
    for (text, line, words) in table {
        let error: TouchstoneError = refused(text, 1);
        assert!(error.message.contains(words), "{text:?}: {error}");
        assert_eq!(error.line, *line, "{text:?}: {error}");
    }
    assert_eq!(refused("# GHz\n1 0 zero\n", 1).to_string().split(':').next(), Some("line 2"));
    let wrong_name = "# GHz\n1 0 0 0 0 0 0 0 0\n2 0 0 0 0 0 0 0 0\n";
    assert!(refused(wrong_name, 4).message.contains("wrong number of ports"));
    let error = super::super::read(b"# GHz\n1 0 0", None).unwrap_err();
    assert!(error.message.contains(".s2p"), "{error}");
    assert!(refused("# GHz\n1 0 0", 12).message.contains("12 ports"));
}

#[test]
fn oddities_are_remarked() {
    let data = read("# GHz RI\n# MHz\n1 0 0 ! Port Impedance 50 0\n", 1);
    assert_eq!(data.remarks.len(), 2, "{:?}", data.remarks);
    assert!(data.remarks[0].contains("line 2") && data.remarks[1].contains("line 3"));
    let open_end =
        "[Version] 2.0\n# Hz\n[Number of Ports] 1\n[Number of Frequencies] 1\n[Network Data]\n1 0 0\n";
    assert!(read(open_end, 2).remarks.iter().any(|remark| remark.contains("[End]")));
    assert!(read(open_end, 2).remarks.iter().any(|remark| remark.contains("2 ports")));
}

#[test]
fn sizes_and_names() {
    assert!(check_size(0).unwrap_err().message.contains("empty"));
    assert!(check_size(MOST_BYTES + 1).unwrap_err().message.contains("at most"));
    assert!(check_size(MOST_BYTES).is_ok());
    for (name, ports) in [
        ("a.s2p", Some(2)),
        ("b/c.d.S4P", Some(4)),
        ("x.s12p", Some(12)),
        ("x.sp", None),
        ("x.ts", None),
        ("s2p", None),
        ("x.s2p.txt", None),
        ("x.s99999999999999999999p", None),
    ] {
        assert_eq!(ports_in_name(name), ports, "{name}");
    }
    // Text in another encoding is fine in comments, a byte 0 is not text.
    assert!(super::super::read(b"! 25 \xB0C\n# GHz\n1 0 0", Some(1)).is_ok());
    let error = super::super::read(b"# GHz\n1 0 \0", Some(1)).unwrap_err();
    assert_eq!(error.line, 2);
    assert!(read("\u{feff}# GHz\r\n1 0 0\r\n", 1).frequency_hz[0] < HIGHEST_HZ);
}
