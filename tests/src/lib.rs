//! End-to-end tests, outside references and layer checks: see the files in `tests/tests/`.
