//! How an instrument is reached.

use crate::section::Section;

/// How an instrument is reached.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Transport {
    /// Raw TCP.
    Tcp {
        /// Host and port.
        address: String,
    },
    Hislip {
        /// Host and port.
        address: String,
        /// Sub-address: `hislip0` where there is one instrument.
        device: String,
    },
    /// VXI-11.
    Vxi11 {
        /// Host, or host and port where no port mapper is asked.
        address: String,
        /// Device: `inst0`, or `gpib0,5` behind a gateway.
        device: String,
    },
    /// Serial line.
    Serial {
        /// Device path.
        path: String,
        /// Baud rate.
        baud: u32,
    },
    /// USB test-and-measurement device file.
    Usbtmc {
        /// Device path; the instrument is recognised by `identity`, since the number is not stable.
        path: String,
    },
}

impl Transport {
    /// In words.
    pub fn describe(&self) -> String {
        match self {
            Transport::Tcp { address } => format!("TCP {address}"),
            Transport::Hislip { address, device } => format!("HiSLIP {address} {device}"),
            Transport::Vxi11 { address, device } => format!("VXI-11 {address} {device}"),
            Transport::Serial { path, baud } => format!("serial {path}, {baud} baud"),
            Transport::Usbtmc { path } => format!("USB {path}"),
        }
    }
}

pub(super) fn read_transport(section: &Section<'_>) -> Option<Transport> {
    let tcp = section.text("tcp");
    let hislip = section.text("hislip");
    let vxi11 = section.text("vxi11");
    let device = section.text("device").map(|text| text.value);
    let serial = section.text("serial");
    let usbtmc = section.text("usbtmc");
    let baud = section.whole("baud", 50..=4_000_000, "baud").unwrap_or(9600);
    let ways = [tcp.is_some(), hislip.is_some(), vxi11.is_some(), serial.is_some(), usbtmc.is_some()];
    let given = ways.iter().filter(|one| **one).count();
    if given != 1 {
        section.mistake(
            "name",
            format!("{} has {given} of `tcp`, `hislip`, `vxi11`, `serial`, `usbtmc`", section.title),
            "give exactly one, for example `tcp = \"192.0.2.10:5025\"`",
        );
        return None;
    }
    if let Some(text) = tcp {
        if !is_address(&text.value) {
            section.mistake(
                "tcp",
                format!("`tcp` in {} is `{}`, not host:port", section.title, text.value),
                "write for example \"192.0.2.10:5025\"",
            );
            return None;
        }
        return Some(Transport::Tcp { address: text.value });
    }
    if let Some(text) = hislip {
        let with_port =
            if is_address(&text.value) { text.value } else { format!("{}:{HISLIP_PORT}", text.value) };
        return Some(Transport::Hislip {
            address: with_port,
            device: device.unwrap_or_else(|| "hislip0".into()),
        });
    }
    if let Some(text) = vxi11 {
        return Some(Transport::Vxi11 {
            address: text.value,
            device: device.unwrap_or_else(|| "inst0".into()),
        });
    }
    if let Some(text) = serial {
        return Some(Transport::Serial { path: text.value, baud: u32::try_from(baud).unwrap_or(9600) });
    }
    usbtmc.map(|text| Transport::Usbtmc { path: text.value })
}

/// Port of HiSLIP where none is given (registered with IANA).
const HISLIP_PORT: u16 = 4880;

pub(super) fn is_address(text: &str) -> bool {
    text.rsplit_once(':').is_some_and(|(host, port)| !host.is_empty() && port.parse::<u16>().is_ok())
}
