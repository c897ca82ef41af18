"""The jobsite page: a small web server on the laptop in the truck, for the phones on the same Wi-Fi."""
