-- The registers of sites, machines and treatments can be edited by command: a new row says who, when and why.

-- `entered_by` and `why` are '' and `entered_at` is NULL for rows that came from a file.
ALTER TABLE site ADD COLUMN entered_by VARCHAR DEFAULT '';
ALTER TABLE site ADD COLUMN entered_at TIMESTAMP;
ALTER TABLE site ADD COLUMN why VARCHAR DEFAULT '';
ALTER TABLE machine ADD COLUMN entered_by VARCHAR DEFAULT '';
ALTER TABLE machine ADD COLUMN entered_at TIMESTAMP;
ALTER TABLE machine ADD COLUMN why VARCHAR DEFAULT '';
ALTER TABLE treatment ADD COLUMN entered_by VARCHAR DEFAULT '';
ALTER TABLE treatment ADD COLUMN entered_at TIMESTAMP;
ALTER TABLE treatment ADD COLUMN why VARCHAR DEFAULT '';
