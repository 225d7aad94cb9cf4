"""The formats of what flash chips hold; `survey` looks for all of them."""
