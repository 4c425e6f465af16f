"""Everything a person looks at, made from the plain data in `linkcalc.link.result`."""
