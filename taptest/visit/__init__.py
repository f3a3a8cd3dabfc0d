"""The visit as a document and a folder, and many visits side by side."""
