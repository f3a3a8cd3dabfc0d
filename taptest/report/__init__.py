"""The boundary picture and the page for the service report."""
