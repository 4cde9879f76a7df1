"""OCR engines with faults, to see what the guard makes of them."""
