"""The formats of what stands in a flash; `survey` looks for all of them."""
