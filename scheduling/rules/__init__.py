"""How rules are shown, typed and changed by a manager: products, a job's overrides, a zone's band."""
