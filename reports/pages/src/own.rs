//! A page's own style sheet and script, and the policy in its head that lets a browser use these and nothing else: each is
//! known by its SHA-256, so that whatever slipped into a page would neither run nor restyle it.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde::Serialize;
use sha2::{Digest, Sha256};

/// What stands in the head of a page.
#[derive(Serialize)]
pub(crate) struct Own {
    /// Text of the style element.
    style: String,
    /// Text of the script element; empty where there is none.
    script: &'static str,
    /// Content security policy (W3C CSP Level 3): pictures within the page, this style sheet, this script.
    policy: String,
}

impl Own {
    pub(crate) fn new(style: String, script: &'static str) -> Own {
        let by_hash = |text: &str| format!("'sha256-{}'", STANDARD.encode(Sha256::digest(text.as_bytes())));
        let mut policy = format!("default-src 'none'; img-src data:; style-src {}", by_hash(&style));
        if !script.is_empty() {
            policy.push_str(&format!("; script-src {}", by_hash(script)));
        }
        policy.push_str("; base-uri 'none'; form-action 'none'");
        Own { style, script, policy }
    }
}

#[cfg(test)]
mod tests {
    use super::Own;

    #[test]
    fn a_style_sheet_and_a_script_are_named_by_their_digest() {
        // W3C Content Security Policy Level 3, 8.3 (the script's example): the digest of `alert('Hello, world.');`.
        let own = Own::new(String::new(), "alert('Hello, world.');");
        assert!(
            own.policy.contains("script-src 'sha256-qznLcsROx4GACP2dm0UCKCzCG+HiZ1guq6ZZDob/Tng='"),
            "{}",
            own.policy
        );
        // The digest of nothing (NIST FIPS 180-4 examples), in base 64.
        assert!(own.policy.contains("style-src 'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"));
        assert!(!Own::new("p{}".into(), "").policy.contains("script-src"));
    }
}
