"""One module per page: it gathers what the page shows, and takes the page's forms."""
