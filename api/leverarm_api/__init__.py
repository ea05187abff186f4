"""The REST interface and the page. Reads, and asks; decides nothing."""
