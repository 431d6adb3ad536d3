//! By which names a bench is known: the addresses of its instruments, the same texts however they are written, and what an instrument
//! says it is.

use super::wire;
use plan::bench_file::{AgentConnection, BenchFile, Transport};
use std::net::{Ipv4Addr, SocketAddr};

/// Port of the port mapper (RFC 1833), where VXI-11 names none.
const PORT_MAPPER: u16 = 111;

/// Host and port of what is reached over the network.
fn host_and_port(transport: &Transport) -> Option<String> {
    match transport {
        Transport::Tcp { address } | Transport::Hislip { address, .. } => Some(address.clone()),
        Transport::Vxi11 { address, .. } => {
            let has_port = address.rsplit_once(':').is_some_and(|(_, port)| port.parse::<u16>().is_ok());
            Some(if has_port { address.clone() } else { format!("{address}:{PORT_MAPPER}") })
        }
        Transport::Serial { .. } | Transport::Usbtmc { .. } => None,
    }
}

/// The addresses of an instrument as they are remembered: the same texts however it is written. A name may lead to several.
pub fn addresses_of(transport: &Transport) -> Vec<String> {
    let file = |path: &str| {
        std::fs::canonicalize(path).map_or_else(|_| path.to_string(), |found| found.display().to_string())
    };
    let network = host_and_port(transport).map(|address| tcp(&address)).unwrap_or_default();
    match transport {
        Transport::Tcp { .. } => network,
        // Behind a gateway each device is one of its own.
        Transport::Hislip { device, .. } | Transport::Vxi11 { device, .. } => {
            let device = device.to_ascii_lowercase();
            network.into_iter().map(|address| format!("{address} {device}")).collect()
        }
        Transport::Serial { path, .. } => {
            vec![format!("serial {}", com_port(path).unwrap_or_else(|| file(path)))]
        }
        Transport::Usbtmc { path } => vec![format!("usb {}", file(path))],
    }
}

/// `COM3`, however it is written.
fn com_port(path: &str) -> Option<String> {
    let name = path.strip_prefix(r"\\.\").unwrap_or(path).to_ascii_uppercase();
    let number = name.strip_prefix("COM")?;
    (!number.is_empty() && number.bytes().all(|byte| byte.is_ascii_digit())).then_some(name)
}

fn tcp(address: &str) -> Vec<String> {
    let Ok(places) = wire::resolve(address) else {
        return vec![format!("tcp {}", address.to_ascii_lowercase())];
    };
    let mut texts: Vec<String> = places.iter().map(in_one_form).collect();
    texts.sort();
    texts.dedup();
    texts
}

/// One text for every way to write an address: an IPv4 address within IPv6, and all ways to this computer itself.
fn in_one_form(place: &SocketAddr) -> String {
    let ip = place.ip().to_canonical();
    let itself = ip.is_loopback() || ip.is_unspecified();
    let ip = if itself { Ipv4Addr::LOCALHOST.into() } else { ip };
    format!("tcp {}", SocketAddr::new(ip, place.port()))
}

/// Every address of a bench, the agent's included, in order and once each.
pub fn addresses(bench: &BenchFile) -> Vec<String> {
    let mut list: Vec<String> =
        bench.instruments.iter().flat_map(|one| addresses_of(&one.transport)).collect();
    if let AgentConnection::Tcp { address } = &bench.agent.connection {
        list.extend(tcp(address));
    }
    list.sort();
    list.dedup();
    list
}

/// Addresses of a bench that lead nowhere now, in words: who cannot tell whose they are must not drive it.
pub fn unresolved(bench: &BenchFile) -> Vec<String> {
    let instruments = bench.instruments.iter().map(|one| (one.name.as_str(), host_and_port(&one.transport)));
    let agent = match &bench.agent.connection {
        AgentConnection::Tcp { address } => Some(address.clone()),
        AgentConnection::Command(_) => None,
    };
    instruments
        .chain([("agent", agent)])
        .filter_map(|(name, address)| Some((name, address?)))
        .filter_map(|(name, address)| {
            let error = wire::resolve(&address).err()?;
            Some(format!("the address `{address}` of `{name}` leads nowhere now: {error}"))
        })
        .collect()
}

/// How an instrument is remembered by what it says it is.
pub fn name_of_identity(identity: &str) -> String {
    format!("identity {identity}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bench(supply: &str) -> BenchFile {
        let text = include_str!("../agent/every-key-bench.toml").replace("192.0.2.10:5025", supply);
        BenchFile::read(&text).unwrap_or_else(|problems| panic!("{problems:#?}"))
    }

    /// Every way to write an address is one address; what leads nowhere is named.
    #[test]
    fn an_address_is_remembered_by_where_it_leads() {
        let of = |address: &str| addresses_of(&Transport::Tcp { address: address.into() });
        let plain = of("127.0.0.1:5025");
        assert_eq!(plain, ["tcp 127.0.0.1:5025"]);
        for other in
            ["localhost:5025", "LOCALHOST:5025", "[::1]:5025", "[::ffff:127.0.0.1]:5025", "0.0.0.0:5025"]
        {
            assert_eq!(of(other), plain, "{other}");
        }
        assert_ne!(of("127.0.0.1:5026"), plain);
        let vxi = |address: &str| {
            addresses_of(&Transport::Vxi11 { address: address.into(), device: "INST0".into() })
        };
        assert_eq!(vxi("localhost"), ["tcp 127.0.0.1:111 inst0"]);
        let serial = |path: &str| addresses_of(&Transport::Serial { path: path.into(), baud: 9600 });
        assert_eq!(serial("com3"), serial(r"\\.\COM3"));
        let words = unresolved(&bench("no-such-host.invalid:5025"));
        assert!(
            words.len() == 1 && words[0].contains("`no-such-host.invalid:5025` of `supply A`"),
            "{words:?}"
        );
        assert_eq!(unresolved(&bench("192.0.2.10:5025")), Vec::<String>::new());
    }
}
