-- Suppliers, what was ordered of them, and what of that has arrived. Every act on an order locks its row first.
SET lock_timeout = '1s';

CREATE TABLE supplier (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  code text NOT NULL,
  name text NOT NULL, -- a pin series names its supplier by this or by the code
  note text NOT NULL DEFAULT '',
  stated_days integer CHECK (stated_days BETWEEN 0 AND 365), -- how long the supplier says it takes
  retired_at timestamptz,
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  CONSTRAINT supplier_code UNIQUE (club_id, code)
);
CREATE INDEX supplier_name ON supplier (club_id, name); -- a pin series may name it so
CREATE INDEX pin_series_of_supplier ON pin_series (club_id, supplier);
SELECT fence('supplier');
GRANT INSERT, UPDATE (code, name, note, stated_days, retired_at, version) ON supplier TO pinwright_app;

CREATE TABLE parts_order (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  supplier_id uuid NOT NULL,
  repair_id uuid, -- that it is for
  reference text NOT NULL DEFAULT '', -- the supplier's own number of it
  note text NOT NULL DEFAULT '',
  ordered_on date NOT NULL,
  member_id uuid NOT NULL,
  recorded_at timestamptz NOT NULL,
  arrived_on date, -- the day on which the last of it came; null while something is missing
  cancelled_on date,
  cancelled_at timestamptz,
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, supplier_id) REFERENCES supplier,
  FOREIGN KEY (club_id, repair_id) REFERENCES repair,
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  CONSTRAINT parts_order_arrives_or_is_cancelled CHECK (num_nonnulls(arrived_on, cancelled_on) < 2 AND (cancelled_on IS NULL) = (cancelled_at IS NULL)),
  CONSTRAINT parts_order_arrives_after CHECK (arrived_on >= ordered_on)
);
CREATE INDEX parts_order_of_supplier ON parts_order (club_id, supplier_id, id DESC);
CREATE INDEX parts_order_of_repair ON parts_order (club_id, repair_id, id DESC) WHERE repair_id IS NOT NULL;
CREATE INDEX parts_order_open ON parts_order (club_id, id DESC) WHERE arrived_on IS NULL AND cancelled_on IS NULL;
SELECT fence('parts_order');
GRANT INSERT, UPDATE (reference, note, arrived_on, cancelled_on, cancelled_at, version) ON parts_order TO pinwright_app;

CREATE TABLE parts_line (
  club_id uuid NOT NULL,
  order_id uuid NOT NULL,
  line smallint NOT NULL CHECK (line >= 0),
  what text NOT NULL,
  series_id uuid, -- of a pin: its series and the code of its step
  step text,
  quantity integer NOT NULL CHECK (quantity BETWEEN 1 AND 100000),
  unit text NOT NULL DEFAULT '', -- what one of them is, such as a tin; empty: a piece
  unit_price_minor bigint CHECK (unit_price_minor >= 0),
  arrived integer NOT NULL DEFAULT 0,
  PRIMARY KEY (club_id, order_id, line),
  FOREIGN KEY (club_id, order_id) REFERENCES parts_order,
  FOREIGN KEY (club_id, series_id, step) REFERENCES pin_step (club_id, series_id, code),
  CONSTRAINT parts_line_of_a_step CHECK ((series_id IS NULL) = (step IS NULL)),
  CONSTRAINT parts_line_arrived_within CHECK (arrived BETWEEN 0 AND quantity)
);
SELECT fence('parts_line');
GRANT INSERT, UPDATE (arrived) ON parts_line TO pinwright_app;

-- One parcel. It is history: never changed, taken back as a whole when it was recorded by mistake.
CREATE TABLE parts_arrival (
  club_id uuid NOT NULL,
  id uuid NOT NULL, -- made by the client where it likes
  order_id uuid NOT NULL,
  occurred_at timestamptz NOT NULL,
  arrived_on date NOT NULL, -- the same by the clock where it arrived
  note text NOT NULL DEFAULT '',
  member_id uuid NOT NULL,
  recorded_at timestamptz NOT NULL,
  void_at timestamptz,
  void_by uuid,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, order_id) REFERENCES parts_order,
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  FOREIGN KEY (club_id, void_by) REFERENCES member,
  CONSTRAINT parts_arrival_void_by_somebody CHECK ((void_at IS NULL) = (void_by IS NULL))
);
CREATE INDEX parts_arrival_of_order ON parts_arrival (club_id, order_id, occurred_at, id);
SELECT fence('parts_arrival');
GRANT INSERT, UPDATE (void_at, void_by) ON parts_arrival TO pinwright_app;

CREATE TABLE parts_arrival_line (
  club_id uuid NOT NULL,
  arrival_id uuid NOT NULL,
  order_id uuid NOT NULL,
  line smallint NOT NULL,
  quantity integer NOT NULL CHECK (quantity > 0),
  PRIMARY KEY (club_id, arrival_id, line),
  FOREIGN KEY (club_id, arrival_id) REFERENCES parts_arrival,
  FOREIGN KEY (club_id, order_id, line) REFERENCES parts_line
);
SELECT fence('parts_arrival_line');
GRANT INSERT ON parts_arrival_line TO pinwright_app;
