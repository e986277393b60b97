-- A site of the register may have a code, by which samples and treatments name it.
ALTER TABLE site ADD COLUMN site_code VARCHAR DEFAULT '';
