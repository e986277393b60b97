-- What an answer to a whole file or column said, word for word, and the headings by which a later file of the sender is known.
ALTER TABLE source_file ADD COLUMN shape VARCHAR DEFAULT '';
ALTER TABLE decision ADD COLUMN said VARCHAR DEFAULT '';
