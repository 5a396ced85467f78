-- The first schema of the registry. Written by registry/migrations/write_first_schema.py from
-- registry/records.csv; the store keeps this file's SHA-256 and refuses an edited one.

CREATE TABLE guard (refusal VARCHAR);

CREATE TABLE schema_version (
  number INTEGER PRIMARY KEY,
  name VARCHAR NOT NULL,
  sha256 VARCHAR NOT NULL,
  applied_at TIMESTAMP NOT NULL,
  applied_by VARCHAR NOT NULL
);

CREATE TABLE chain_anchor (
  anchor_no INTEGER PRIMARY KEY,
  recorded_at TIMESTAMP NOT NULL,
  recorded_by VARCHAR NOT NULL,
  reason VARCHAR NOT NULL,
  previous_hash BLOB,
  start_hash BLOB NOT NULL
);

CREATE TABLE patient_key (
  patient_id VARCHAR NOT NULL,
  PRIMARY KEY (patient_id)
);

CREATE TABLE tumour_key (
  tumour_id VARCHAR NOT NULL,
  PRIMARY KEY (tumour_id)
);

CREATE TABLE applicator_key (
  applicator_id VARCHAR NOT NULL,
  PRIMARY KEY (applicator_id)
);

CREATE TABLE applicator_check_key (
  applicator_id VARCHAR NOT NULL,
  check_date DATE NOT NULL,
  kind VARCHAR NOT NULL,
  PRIMARY KEY (applicator_id, check_date, kind),
  FOREIGN KEY (applicator_id) REFERENCES applicator_key (applicator_id)
);

CREATE TABLE certificate_key (
  applicator_id VARCHAR NOT NULL,
  reference_at TIMESTAMP NOT NULL,
  depth_mm DECIMAL(14,6) NOT NULL,
  PRIMARY KEY (applicator_id, reference_at, depth_mm),
  FOREIGN KEY (applicator_id) REFERENCES applicator_key (applicator_id)
);

CREATE TABLE implant_key (
  implant_id VARCHAR NOT NULL,
  PRIMARY KEY (implant_id)
);

CREATE TABLE implant_muscle_key (
  implant_id VARCHAR NOT NULL,
  muscle VARCHAR NOT NULL,
  PRIMARY KEY (implant_id, muscle),
  FOREIGN KEY (implant_id) REFERENCES implant_key (implant_id)
);

CREATE TABLE visit_key (
  visit_id VARCHAR NOT NULL,
  PRIMARY KEY (visit_id)
);

CREATE TABLE event_key (
  event_id VARCHAR NOT NULL,
  PRIMARY KEY (event_id)
);

CREATE TABLE patient_version (
  patient_id VARCHAR NOT NULL CHECK (coalesce(length(trim(patient_id)), 0) > 0),
  version INTEGER NOT NULL CHECK (version BETWEEN 1 AND 1000000),
  batch_no BIGINT NOT NULL,
  recorded_at TIMESTAMP NOT NULL,
  recorded_by VARCHAR NOT NULL CHECK (coalesce(length(trim(recorded_by)), 0) > 0),
  recorded_why VARCHAR NOT NULL,
  centre_id VARCHAR NOT NULL CHECK (coalesce(length(trim(centre_id)), 0) > 0),
  withdrawn BOOLEAN NOT NULL,
  sex VARCHAR CHECK (sex IN ('female', 'male', 'other', 'unknown')),
  birth_year INTEGER CHECK (birth_year BETWEEN 1880 AND 2100),
  last_contact_date DATE CHECK (last_contact_date BETWEEN DATE '1850-01-01' AND DATE '2199-12-31'),
  vital_status_date DATE CHECK (vital_status_date BETWEEN DATE '1850-01-01' AND DATE '2199-12-31'),
  metastasis_status_date DATE CHECK (metastasis_status_date BETWEEN DATE '1850-01-01' AND DATE '2199-12-31'),
  follow_up_ended_reason VARCHAR CHECK (follow_up_ended_reason IN ('under_follow_up', 'discharged_to_local_care', 'moved', 'declined', 'lost', 'died', 'unknown')),
  death_date DATE CHECK (death_date BETWEEN DATE '1850-01-01' AND DATE '2199-12-31'),
  death_cause VARCHAR CHECK (death_cause IN ('metastatic_uveal_melanoma', 'other_cancer', 'other_cause', 'unknown')),
  metastasis_date DATE CHECK (metastasis_date BETWEEN DATE '1850-01-01' AND DATE '2199-12-31'),
  research_consent VARCHAR CHECK (research_consent IN ('yes', 'no', 'unknown')),
  diabetes VARCHAR CHECK (diabetes IN ('yes', 'no', 'unknown')),
  hypertension VARCHAR CHECK (hypertension IN ('yes', 'no', 'unknown')),
  metastasis_found_by VARCHAR CHECK (metastasis_found_by IN ('surveillance', 'symptoms', 'incidental', 'unknown')),
  entry_no BIGINT NOT NULL,
  content_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  chain_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  CHECK (octet_length(content_hash) = 32),
  CHECK (octet_length(chain_hash) = 32),
  PRIMARY KEY (patient_id, version),
  CHECK (version = 1 OR coalesce(length(trim(recorded_why)), 0) > 0)
);

CREATE TABLE tumour_version (
  tumour_id VARCHAR NOT NULL CHECK (coalesce(length(trim(tumour_id)), 0) > 0),
  version INTEGER NOT NULL CHECK (version BETWEEN 1 AND 1000000),
  batch_no BIGINT NOT NULL,
  recorded_at TIMESTAMP NOT NULL,
  recorded_by VARCHAR NOT NULL CHECK (coalesce(length(trim(recorded_by)), 0) > 0),
  recorded_why VARCHAR NOT NULL,
  centre_id VARCHAR NOT NULL CHECK (coalesce(length(trim(centre_id)), 0) > 0),
  withdrawn BOOLEAN NOT NULL,
  patient_id VARCHAR NOT NULL,
  eye VARCHAR NOT NULL CHECK (eye IN ('right', 'left')),
  diagnosis_date DATE CHECK (diagnosis_date BETWEEN DATE '1850-01-01' AND DATE '2199-12-31'),
  site VARCHAR CHECK (site IN ('choroid', 'ciliochoroidal', 'ciliary_body', 'iridociliary', 'iris')),
  thickness_mm DECIMAL(14,6) CHECK (thickness_mm BETWEEN 0.3 AND 20),
  largest_basal_diameter_mm DECIMAL(14,6) CHECK (largest_basal_diameter_mm BETWEEN 1 AND 25),
  longitudinal_basal_diameter_mm DECIMAL(14,6) CHECK (longitudinal_basal_diameter_mm BETWEEN 1 AND 25),
  fovea_distance_mm DECIMAL(14,6) CHECK (fovea_distance_mm BETWEEN 0 AND 30),
  disc_distance_mm DECIMAL(14,6) CHECK (disc_distance_mm BETWEEN 0 AND 30),
  meridian_clock DECIMAL(14,6) CHECK (meridian_clock BETWEEN 0.01 AND 12),
  axial_length_mm DECIMAL(14,6) CHECK (axial_length_mm BETWEEN 18 AND 36),
  ciliary_body_involved VARCHAR CHECK (ciliary_body_involved IN ('yes', 'no', 'unknown')),
  extraocular_extension VARCHAR CHECK (extraocular_extension IN ('none', 'up_to_5_mm', 'over_5_mm', 'unknown')),
  retinal_detachment VARCHAR CHECK (retinal_detachment IN ('yes', 'no', 'unknown')),
  biopsied VARCHAR CHECK (biopsied IN ('yes', 'no', 'unknown')),
  cell_type VARCHAR CHECK (cell_type IN ('spindle', 'mixed', 'epithelioid', 'unknown')),
  chromosome_3 VARCHAR CHECK (chromosome_3 IN ('disomy', 'partial', 'monosomy', 'unknown')),
  chromosome_8q VARCHAR CHECK (chromosome_8q IN ('normal', 'gain', 'unknown')),
  fovea_involved VARCHAR CHECK (fovea_involved IN ('yes', 'no', 'unknown')),
  fovea_distance_meridian_mm DECIMAL(14,6) CHECK (fovea_distance_meridian_mm BETWEEN -20 AND 30),
  distance_convention VARCHAR CHECK (distance_convention IN ('arc', 'chord', 'unknown')),
  thickness_method VARCHAR CHECK (thickness_method IN ('a_scan', 'b_scan', 'ubm', 'other', 'unknown')),
  thickness_includes_sclera VARCHAR CHECK (thickness_includes_sclera IN ('yes', 'no', 'unknown')),
  shape VARCHAR CHECK (shape IN ('dome', 'mushroom', 'diffuse', 'multilobed', 'other', 'unknown')),
  prior_treatment VARCHAR,
  documented_growth VARCHAR CHECK (documented_growth IN ('yes', 'no', 'unknown')),
  node_status VARCHAR CHECK (node_status IN ('n0', 'n1a', 'n1b', 'unknown')),
  metastasis_at_baseline VARCHAR CHECK (metastasis_at_baseline IN ('m0', 'm1a', 'm1b', 'm1c', 'unknown')),
  referral_date DATE CHECK (referral_date BETWEEN DATE '1850-01-01' AND DATE '2199-12-31'),
  treatment_decision_date DATE CHECK (treatment_decision_date BETWEEN DATE '1850-01-01' AND DATE '2199-12-31'),
  care_since_date DATE CHECK (care_since_date BETWEEN DATE '1850-01-01' AND DATE '2199-12-31'),
  only_useful_eye VARCHAR CHECK (only_useful_eye IN ('yes', 'no', 'unknown')),
  bap1_nuclear_staining VARCHAR CHECK (bap1_nuclear_staining IN ('retained', 'lost', 'unknown')),
  entry_no BIGINT NOT NULL,
  content_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  chain_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  CHECK (octet_length(content_hash) = 32),
  CHECK (octet_length(chain_hash) = 32),
  PRIMARY KEY (tumour_id, version),
  CHECK (version = 1 OR coalesce(length(trim(recorded_why)), 0) > 0),
  FOREIGN KEY (patient_id) REFERENCES patient_key (patient_id)
);

CREATE TABLE applicator_version (
  applicator_id VARCHAR NOT NULL CHECK (coalesce(length(trim(applicator_id)), 0) > 0),
  version INTEGER NOT NULL CHECK (version BETWEEN 1 AND 1000000),
  batch_no BIGINT NOT NULL,
  recorded_at TIMESTAMP NOT NULL,
  recorded_by VARCHAR NOT NULL CHECK (coalesce(length(trim(recorded_by)), 0) > 0),
  recorded_why VARCHAR NOT NULL,
  centre_id VARCHAR NOT NULL CHECK (coalesce(length(trim(centre_id)), 0) > 0),
  withdrawn BOOLEAN NOT NULL,
  isotope VARCHAR NOT NULL CHECK (isotope IN ('Ru-106', 'I-125', 'Pd-103', 'Sr-90', 'Cs-131')),
  diameter_mm DECIMAL(14,6) NOT NULL CHECK (diameter_mm BETWEEN 8 AND 30),
  active_diameter_mm DECIMAL(14,6) CHECK (active_diameter_mm BETWEEN 5 AND 30),
  curvature_radius_mm DECIMAL(14,6) CHECK (curvature_radius_mm BETWEEN 8 AND 16),
  notch VARCHAR CHECK (notch IN ('none', 'narrow', 'wide')),
  eyelets INTEGER CHECK (eyelets BETWEEN 1 AND 6),
  first_used_date DATE CHECK (first_used_date BETWEEN DATE '1850-01-01' AND DATE '2199-12-31'),
  retired_date DATE CHECK (retired_date BETWEEN DATE '1850-01-01' AND DATE '2199-12-31'),
  entry_no BIGINT NOT NULL,
  content_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  chain_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  CHECK (octet_length(content_hash) = 32),
  CHECK (octet_length(chain_hash) = 32),
  PRIMARY KEY (applicator_id, version),
  CHECK (version = 1 OR coalesce(length(trim(recorded_why)), 0) > 0)
);

CREATE TABLE applicator_check_version (
  applicator_id VARCHAR NOT NULL CHECK (coalesce(length(trim(applicator_id)), 0) > 0),
  check_date DATE NOT NULL CHECK (check_date BETWEEN DATE '1850-01-01' AND DATE '2199-12-31'),
  kind VARCHAR NOT NULL CHECK (kind IN ('output', 'uniformity', 'leak', 'visual', 'other')),
  version INTEGER NOT NULL CHECK (version BETWEEN 1 AND 1000000),
  batch_no BIGINT NOT NULL,
  recorded_at TIMESTAMP NOT NULL,
  recorded_by VARCHAR NOT NULL CHECK (coalesce(length(trim(recorded_by)), 0) > 0),
  recorded_why VARCHAR NOT NULL,
  centre_id VARCHAR NOT NULL CHECK (coalesce(length(trim(centre_id)), 0) > 0),
  withdrawn BOOLEAN NOT NULL,
  result VARCHAR NOT NULL CHECK (result IN ('pass', 'fail', 'accepted_with_remark')),
  measured_to_stated_ratio DECIMAL(14,6) CHECK (measured_to_stated_ratio BETWEEN 0.3 AND 2),
  entry_no BIGINT NOT NULL,
  content_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  chain_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  CHECK (octet_length(content_hash) = 32),
  CHECK (octet_length(chain_hash) = 32),
  PRIMARY KEY (applicator_id, check_date, kind, version),
  CHECK (version = 1 OR coalesce(length(trim(recorded_why)), 0) > 0)
);

CREATE TABLE certificate_version (
  applicator_id VARCHAR NOT NULL CHECK (coalesce(length(trim(applicator_id)), 0) > 0),
  reference_at TIMESTAMP NOT NULL CHECK (reference_at BETWEEN TIMESTAMP '1850-01-01' AND TIMESTAMP '2199-12-31'),
  depth_mm DECIMAL(14,6) NOT NULL CHECK (depth_mm BETWEEN 0 AND 20),
  version INTEGER NOT NULL CHECK (version BETWEEN 1 AND 1000000),
  batch_no BIGINT NOT NULL,
  recorded_at TIMESTAMP NOT NULL,
  recorded_by VARCHAR NOT NULL CHECK (coalesce(length(trim(recorded_by)), 0) > 0),
  recorded_why VARCHAR NOT NULL,
  centre_id VARCHAR NOT NULL CHECK (coalesce(length(trim(centre_id)), 0) > 0),
  withdrawn BOOLEAN NOT NULL,
  dose_rate_mgy_min DECIMAL(14,6) NOT NULL CHECK (dose_rate_mgy_min BETWEEN 0.0001 AND 100000),
  uncertainty_pct DECIMAL(14,6) CHECK (uncertainty_pct BETWEEN 0 AND 60),
  traceability VARCHAR CHECK (traceability IN ('primary_standard', 'other_scale', 'independent', 'unknown')),
  entry_no BIGINT NOT NULL,
  content_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  chain_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  CHECK (octet_length(content_hash) = 32),
  CHECK (octet_length(chain_hash) = 32),
  PRIMARY KEY (applicator_id, reference_at, depth_mm, version),
  CHECK (version = 1 OR coalesce(length(trim(recorded_why)), 0) > 0)
);

CREATE TABLE implant_version (
  implant_id VARCHAR NOT NULL CHECK (coalesce(length(trim(implant_id)), 0) > 0),
  version INTEGER NOT NULL CHECK (version BETWEEN 1 AND 1000000),
  batch_no BIGINT NOT NULL,
  recorded_at TIMESTAMP NOT NULL,
  recorded_by VARCHAR NOT NULL CHECK (coalesce(length(trim(recorded_by)), 0) > 0),
  recorded_why VARCHAR NOT NULL,
  centre_id VARCHAR NOT NULL CHECK (coalesce(length(trim(centre_id)), 0) > 0),
  withdrawn BOOLEAN NOT NULL,
  tumour_id VARCHAR NOT NULL,
  applicator_id VARCHAR,
  inserted_at TIMESTAMP NOT NULL CHECK (inserted_at BETWEEN TIMESTAMP '1850-01-01' AND TIMESTAMP '2199-12-31'),
  removed_at TIMESTAMP CHECK (removed_at BETWEEN TIMESTAMP '1850-01-01' AND TIMESTAMP '2199-12-31'),
  prescribed_dose_gy DECIMAL(14,6) CHECK (prescribed_dose_gy BETWEEN 5 AND 2000),
  prescribed_depth_mm DECIMAL(14,6) CHECK (prescribed_depth_mm BETWEEN 0 AND 20),
  sclera_allowance_mm DECIMAL(14,6) CHECK (sclera_allowance_mm BETWEEN 0 AND 3),
  dose_apex_gy DECIMAL(14,6) CHECK (dose_apex_gy BETWEEN 0 AND 2000),
  dose_sclera_gy DECIMAL(14,6) CHECK (dose_sclera_gy BETWEEN 0 AND 5000),
  dose_fovea_gy DECIMAL(14,6) CHECK (dose_fovea_gy BETWEEN 0 AND 2000),
  dose_disc_gy DECIMAL(14,6) CHECK (dose_disc_gy BETWEEN 0 AND 2000),
  dose_lens_gy DECIMAL(14,6) CHECK (dose_lens_gy BETWEEN 0 AND 2000),
  dose_source VARCHAR CHECK (dose_source IN ('certificate', 'planning_system', 'film', 'unknown')),
  planned_margin_mm DECIMAL(14,6) CHECK (planned_margin_mm BETWEEN 0 AND 8),
  planned_limbus_distance_mm DECIMAL(14,6) CHECK (planned_limbus_distance_mm BETWEEN -5 AND 30),
  tumour_limbus_distance_mm DECIMAL(14,6) CHECK (tumour_limbus_distance_mm BETWEEN -5 AND 30),
  placed_limbus_distance_mm DECIMAL(14,6) CHECK (placed_limbus_distance_mm BETWEEN -5 AND 30),
  position_check VARCHAR,
  margin_covered VARCHAR CHECK (margin_covered IN ('yes', 'no', 'uncertain')),
  mattress_suture VARCHAR CHECK (mattress_suture IN ('yes', 'no', 'unknown')),
  sclera_exposed VARCHAR CHECK (sclera_exposed IN ('yes', 'no', 'unknown')),
  operator_code VARCHAR,
  adjunct VARCHAR,
  inserted_precision VARCHAR CHECK (inserted_precision IN ('minute', 'hour', 'day', 'unknown')),
  planned_duration_hours DECIMAL(14,6) CHECK (planned_duration_hours BETWEEN 0.01 AND 1000),
  prescription_point VARCHAR CHECK (prescription_point IN ('apex', 'fixed_depth', 'tumour_base', 'scleral_surface', 'other', 'unknown')),
  depth_origin VARCHAR CHECK (depth_origin IN ('plaque_surface', 'outer_sclera', 'inner_sclera', 'unknown')),
  dose_model VARCHAR CHECK (dose_model IN ('homogeneous_water', 'heterogeneous', 'monte_carlo', 'measured', 'unknown')),
  dose_model_version VARCHAR,
  dose_inner_sclera_gy DECIMAL(14,6) CHECK (dose_inner_sclera_gy BETWEEN 0 AND 5000),
  dose_opposite_retina_gy DECIMAL(14,6) CHECK (dose_opposite_retina_gy BETWEEN 0 AND 500),
  planned_posterior_margin_mm DECIMAL(14,6) CHECK (planned_posterior_margin_mm BETWEEN -5 AND 8),
  least_margin_mm DECIMAL(14,6) CHECK (least_margin_mm BETWEEN -10 AND 10),
  least_margin_side VARCHAR CHECK (least_margin_side IN ('posterior', 'anterior', 'clockwise', 'anticlockwise', 'unknown')),
  disc_contact VARCHAR CHECK (disc_contact IN ('none', 'touches_sheath', 'notch_round_nerve', 'unknown')),
  position_at_removal VARCHAR CHECK (position_at_removal IN ('unchanged', 'shifted', 'tilted', 'not_checked', 'unknown')),
  incident VARCHAR,
  outside_usual_limits_reason VARCHAR CHECK (outside_usual_limits_reason IN ('only_eye', 'declined_enucleation', 'unfit_for_other', 'no_alternative', 'other', 'unknown')),
  entry_no BIGINT NOT NULL,
  content_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  chain_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  CHECK (octet_length(content_hash) = 32),
  CHECK (octet_length(chain_hash) = 32),
  PRIMARY KEY (implant_id, version),
  CHECK (version = 1 OR coalesce(length(trim(recorded_why)), 0) > 0),
  FOREIGN KEY (tumour_id) REFERENCES tumour_key (tumour_id),
  FOREIGN KEY (applicator_id) REFERENCES applicator_key (applicator_id)
);

CREATE TABLE implant_muscle_version (
  implant_id VARCHAR NOT NULL CHECK (coalesce(length(trim(implant_id)), 0) > 0),
  muscle VARCHAR NOT NULL CHECK (muscle IN ('lateral_rectus', 'medial_rectus', 'superior_rectus', 'inferior_rectus', 'inferior_oblique', 'superior_oblique')),
  version INTEGER NOT NULL CHECK (version BETWEEN 1 AND 1000000),
  batch_no BIGINT NOT NULL,
  recorded_at TIMESTAMP NOT NULL,
  recorded_by VARCHAR NOT NULL CHECK (coalesce(length(trim(recorded_by)), 0) > 0),
  recorded_why VARCHAR NOT NULL,
  centre_id VARCHAR NOT NULL CHECK (coalesce(length(trim(centre_id)), 0) > 0),
  withdrawn BOOLEAN NOT NULL,
  knot_limbus_before_mm DECIMAL(14,6) CHECK (knot_limbus_before_mm BETWEEN 0 AND 20),
  knot_limbus_after_mm DECIMAL(14,6) CHECK (knot_limbus_after_mm BETWEEN 0 AND 20),
  overlies_plaque VARCHAR CHECK (overlies_plaque IN ('yes', 'no', 'unknown')),
  entry_no BIGINT NOT NULL,
  content_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  chain_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  CHECK (octet_length(content_hash) = 32),
  CHECK (octet_length(chain_hash) = 32),
  PRIMARY KEY (implant_id, muscle, version),
  CHECK (version = 1 OR coalesce(length(trim(recorded_why)), 0) > 0)
);

CREATE TABLE visit_version (
  visit_id VARCHAR NOT NULL CHECK (coalesce(length(trim(visit_id)), 0) > 0),
  version INTEGER NOT NULL CHECK (version BETWEEN 1 AND 1000000),
  batch_no BIGINT NOT NULL,
  recorded_at TIMESTAMP NOT NULL,
  recorded_by VARCHAR NOT NULL CHECK (coalesce(length(trim(recorded_by)), 0) > 0),
  recorded_why VARCHAR NOT NULL,
  centre_id VARCHAR NOT NULL CHECK (coalesce(length(trim(centre_id)), 0) > 0),
  withdrawn BOOLEAN NOT NULL,
  patient_id VARCHAR NOT NULL,
  eye VARCHAR NOT NULL CHECK (eye IN ('right', 'left')),
  tumour_id VARCHAR,
  visit_date DATE NOT NULL CHECK (visit_date BETWEEN DATE '1850-01-01' AND DATE '2199-12-31'),
  acuity VARCHAR,
  acuity_notation VARCHAR CHECK (acuity_notation IN ('snellen_m', 'snellen_ft', 'decimal', 'logmar', 'letters', 'qualitative')),
  acuity_correction VARCHAR CHECK (acuity_correction IN ('best_corrected', 'pinhole', 'habitual', 'unaided', 'unknown')),
  iop_mmhg DECIMAL(14,6) CHECK (iop_mmhg BETWEEN 0 AND 80),
  thickness_mm DECIMAL(14,6) CHECK (thickness_mm BETWEEN 0 AND 20),
  local_status VARCHAR CHECK (local_status IN ('controlled', 'suspected', 'failed', 'not_assessed')),
  fellow_acuity VARCHAR,
  lens_status VARCHAR CHECK (lens_status IN ('phakic', 'pseudophakic', 'aphakic', 'unknown')),
  acuity_loss_causes VARCHAR,
  largest_basal_diameter_mm DECIMAL(14,6) CHECK (largest_basal_diameter_mm BETWEEN 0 AND 25),
  acuity_logmar DECIMAL(14,6) CHECK (acuity_logmar BETWEEN -0.5 AND 3.5),
  acuity_letters INTEGER CHECK (acuity_letters BETWEEN -100 AND 110),
  acuity_off_chart VARCHAR CHECK (acuity_off_chart IN ('CF', 'HM', 'LP', 'NLP')),
  fellow_acuity_logmar DECIMAL(14,6) CHECK (fellow_acuity_logmar BETWEEN -0.5 AND 3.5),
  fellow_acuity_letters INTEGER CHECK (fellow_acuity_letters BETWEEN -100 AND 110),
  fellow_acuity_off_chart VARCHAR CHECK (fellow_acuity_off_chart IN ('CF', 'HM', 'LP', 'NLP')),
  entry_no BIGINT NOT NULL,
  content_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  chain_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  CHECK (octet_length(content_hash) = 32),
  CHECK (octet_length(chain_hash) = 32),
  PRIMARY KEY (visit_id, version),
  CHECK (version = 1 OR coalesce(length(trim(recorded_why)), 0) > 0),
  FOREIGN KEY (patient_id) REFERENCES patient_key (patient_id),
  FOREIGN KEY (tumour_id) REFERENCES tumour_key (tumour_id)
);

CREATE TABLE event_version (
  event_id VARCHAR NOT NULL CHECK (coalesce(length(trim(event_id)), 0) > 0),
  version INTEGER NOT NULL CHECK (version BETWEEN 1 AND 1000000),
  batch_no BIGINT NOT NULL,
  recorded_at TIMESTAMP NOT NULL,
  recorded_by VARCHAR NOT NULL CHECK (coalesce(length(trim(recorded_by)), 0) > 0),
  recorded_why VARCHAR NOT NULL,
  centre_id VARCHAR NOT NULL CHECK (coalesce(length(trim(centre_id)), 0) > 0),
  withdrawn BOOLEAN NOT NULL,
  patient_id VARCHAR NOT NULL,
  eye VARCHAR NOT NULL CHECK (eye IN ('right', 'left')),
  tumour_id VARCHAR,
  event_date DATE NOT NULL CHECK (event_date BETWEEN DATE '1850-01-01' AND DATE '2199-12-31'),
  kind VARCHAR NOT NULL CHECK (kind IN ('local_failure', 'orbital_recurrence', 'enucleation', 'exenteration', 'retreatment', 'radiation_retinopathy', 'radiation_maculopathy', 'macular_oedema', 'radiation_optic_neuropathy', 'iris_neovascularisation', 'neovascular_glaucoma', 'raised_pressure', 'cataract', 'cataract_surgery', 'vitreous_haemorrhage', 'vitrectomy', 'scleral_thinning', 'scleral_necrosis', 'scleral_graft', 'retinal_detachment', 'uveitis', 'keratopathy', 'dry_eye', 'infection', 'diplopia', 'strabismus_surgery', 'glaucoma_surgery', 'retinal_laser', 'anti_vegf', 'intravitreal_steroid', 'plaque_displacement', 'phthisis', 'other')),
  failure_pattern VARCHAR CHECK (failure_pattern IN ('marginal', 'central', 'diffuse', 'extrascleral', 'no_regression', 'unknown')),
  retreatment VARCHAR CHECK (retreatment IN ('plaque', 'proton_beam', 'stereotactic', 'thermotherapy', 'resection', 'other')),
  reason VARCHAR CHECK (reason IN ('local_failure', 'complication', 'pain', 'patient_wish', 'other', 'unknown')),
  grade INTEGER CHECK (grade BETWEEN 1 AND 4),
  failure_edge VARCHAR CHECK (failure_edge IN ('posterior', 'anterior', 'clockwise', 'anticlockwise', 'all_round', 'remote', 'unknown')),
  planned VARCHAR CHECK (planned IN ('planned', 'salvage', 'unknown')),
  entry_no BIGINT NOT NULL,
  content_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  chain_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  CHECK (octet_length(content_hash) = 32),
  CHECK (octet_length(chain_hash) = 32),
  PRIMARY KEY (event_id, version),
  CHECK (version = 1 OR coalesce(length(trim(recorded_why)), 0) > 0),
  FOREIGN KEY (patient_id) REFERENCES patient_key (patient_id),
  FOREIGN KEY (tumour_id) REFERENCES tumour_key (tumour_id)
);

CREATE TABLE setting_version (
  name VARCHAR NOT NULL CHECK (coalesce(length(trim(name)), 0) > 0),
  version INTEGER NOT NULL CHECK (version BETWEEN 1 AND 1000000),
  batch_no BIGINT NOT NULL,
  recorded_at TIMESTAMP NOT NULL,
  recorded_by VARCHAR NOT NULL CHECK (coalesce(length(trim(recorded_by)), 0) > 0),
  recorded_why VARCHAR NOT NULL,
  value VARCHAR NOT NULL,
  entry_no BIGINT NOT NULL,
  content_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  chain_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  CHECK (octet_length(content_hash) = 32),
  CHECK (octet_length(chain_hash) = 32),
  PRIMARY KEY (name, version),
  CHECK (version = 1 OR coalesce(length(trim(recorded_why)), 0) > 0)
);

CREATE TABLE batch (
  batch_no BIGINT NOT NULL,
  kind VARCHAR NOT NULL CHECK (kind IN ('creation', 'intake', 'correction', 'withdrawal', 'setting')),
  recorded_at TIMESTAMP NOT NULL,
  recorded_by VARCHAR NOT NULL CHECK (coalesce(length(trim(recorded_by)), 0) > 0),
  why VARCHAR NOT NULL,
  n_versions BIGINT NOT NULL,
  entry_no BIGINT NOT NULL,
  content_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  chain_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  CHECK (octet_length(content_hash) = 32),
  CHECK (octet_length(chain_hash) = 32),
  PRIMARY KEY (batch_no)
);

CREATE TABLE batch_file (
  batch_no BIGINT NOT NULL,
  sha256 VARCHAR NOT NULL CHECK (length(sha256) = 64),
  name VARCHAR NOT NULL,
  table_name VARCHAR NOT NULL,
  rows BIGINT NOT NULL CHECK (rows BETWEEN 0 AND 1000000000),
  entry_no BIGINT NOT NULL,
  content_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  chain_hash BLOB NOT NULL USING COMPRESSION uncompressed,
  CHECK (octet_length(content_hash) = 32),
  CHECK (octet_length(chain_hash) = 32),
  PRIMARY KEY (batch_no, sha256, table_name)
);

CREATE VIEW patient AS
  SELECT patient_id, centre_id, sex, birth_year, last_contact_date, vital_status_date, metastasis_status_date, follow_up_ended_reason, death_date, death_cause, metastasis_date, research_consent, diabetes, hypertension, metastasis_found_by, recorded_at, version FROM (SELECT * FROM patient_version QUALIFY row_number() OVER (PARTITION BY patient_id ORDER BY version DESC) = 1) WHERE NOT withdrawn;
CREATE MACRO patient_as_of(recorded_until) AS TABLE
  SELECT patient_id, centre_id, sex, birth_year, last_contact_date, vital_status_date, metastasis_status_date, follow_up_ended_reason, death_date, death_cause, metastasis_date, research_consent, diabetes, hypertension, metastasis_found_by, recorded_at, version FROM (SELECT * FROM patient_version WHERE patient_version.recorded_at <= recorded_until QUALIFY row_number() OVER (PARTITION BY patient_id ORDER BY version DESC) = 1) WHERE NOT withdrawn;

CREATE VIEW tumour AS
  SELECT tumour_id, patient_id, eye, diagnosis_date, site, thickness_mm, largest_basal_diameter_mm, longitudinal_basal_diameter_mm, fovea_distance_mm, disc_distance_mm, meridian_clock, axial_length_mm, ciliary_body_involved, extraocular_extension, retinal_detachment, biopsied, cell_type, chromosome_3, chromosome_8q, fovea_involved, fovea_distance_meridian_mm, distance_convention, thickness_method, thickness_includes_sclera, shape, prior_treatment, documented_growth, node_status, metastasis_at_baseline, referral_date, treatment_decision_date, care_since_date, only_useful_eye, bap1_nuclear_staining, recorded_at, version FROM (SELECT * FROM tumour_version QUALIFY row_number() OVER (PARTITION BY tumour_id ORDER BY version DESC) = 1) WHERE NOT withdrawn;
CREATE MACRO tumour_as_of(recorded_until) AS TABLE
  SELECT tumour_id, patient_id, eye, diagnosis_date, site, thickness_mm, largest_basal_diameter_mm, longitudinal_basal_diameter_mm, fovea_distance_mm, disc_distance_mm, meridian_clock, axial_length_mm, ciliary_body_involved, extraocular_extension, retinal_detachment, biopsied, cell_type, chromosome_3, chromosome_8q, fovea_involved, fovea_distance_meridian_mm, distance_convention, thickness_method, thickness_includes_sclera, shape, prior_treatment, documented_growth, node_status, metastasis_at_baseline, referral_date, treatment_decision_date, care_since_date, only_useful_eye, bap1_nuclear_staining, recorded_at, version FROM (SELECT * FROM tumour_version WHERE tumour_version.recorded_at <= recorded_until QUALIFY row_number() OVER (PARTITION BY tumour_id ORDER BY version DESC) = 1) WHERE NOT withdrawn;

CREATE VIEW applicator AS
  SELECT applicator_id, isotope, diameter_mm, active_diameter_mm, curvature_radius_mm, notch, eyelets, first_used_date, retired_date, recorded_at, version FROM (SELECT * FROM applicator_version QUALIFY row_number() OVER (PARTITION BY applicator_id ORDER BY version DESC) = 1) WHERE NOT withdrawn;
CREATE MACRO applicator_as_of(recorded_until) AS TABLE
  SELECT applicator_id, isotope, diameter_mm, active_diameter_mm, curvature_radius_mm, notch, eyelets, first_used_date, retired_date, recorded_at, version FROM (SELECT * FROM applicator_version WHERE applicator_version.recorded_at <= recorded_until QUALIFY row_number() OVER (PARTITION BY applicator_id ORDER BY version DESC) = 1) WHERE NOT withdrawn;

CREATE VIEW applicator_check AS
  SELECT applicator_id, check_date, kind, result, measured_to_stated_ratio, recorded_at, version FROM (SELECT * FROM applicator_check_version QUALIFY row_number() OVER (PARTITION BY applicator_id, check_date, kind ORDER BY version DESC) = 1) WHERE NOT withdrawn;
CREATE MACRO applicator_check_as_of(recorded_until) AS TABLE
  SELECT applicator_id, check_date, kind, result, measured_to_stated_ratio, recorded_at, version FROM (SELECT * FROM applicator_check_version WHERE applicator_check_version.recorded_at <= recorded_until QUALIFY row_number() OVER (PARTITION BY applicator_id, check_date, kind ORDER BY version DESC) = 1) WHERE NOT withdrawn;

CREATE VIEW certificate AS
  SELECT applicator_id, reference_at, depth_mm, dose_rate_mgy_min, uncertainty_pct, traceability, recorded_at, version FROM (SELECT * FROM certificate_version QUALIFY row_number() OVER (PARTITION BY applicator_id, reference_at, depth_mm ORDER BY version DESC) = 1) WHERE NOT withdrawn;
CREATE MACRO certificate_as_of(recorded_until) AS TABLE
  SELECT applicator_id, reference_at, depth_mm, dose_rate_mgy_min, uncertainty_pct, traceability, recorded_at, version FROM (SELECT * FROM certificate_version WHERE certificate_version.recorded_at <= recorded_until QUALIFY row_number() OVER (PARTITION BY applicator_id, reference_at, depth_mm ORDER BY version DESC) = 1) WHERE NOT withdrawn;

CREATE VIEW implant AS
  SELECT implant_id, tumour_id, applicator_id, inserted_at, removed_at, prescribed_dose_gy, prescribed_depth_mm, sclera_allowance_mm, dose_apex_gy, dose_sclera_gy, dose_fovea_gy, dose_disc_gy, dose_lens_gy, dose_source, planned_margin_mm, planned_limbus_distance_mm, tumour_limbus_distance_mm, placed_limbus_distance_mm, position_check, margin_covered, mattress_suture, sclera_exposed, operator_code, adjunct, inserted_precision, planned_duration_hours, prescription_point, depth_origin, dose_model, dose_model_version, dose_inner_sclera_gy, dose_opposite_retina_gy, planned_posterior_margin_mm, least_margin_mm, least_margin_side, disc_contact, position_at_removal, incident, outside_usual_limits_reason, recorded_at, version FROM (SELECT * FROM implant_version QUALIFY row_number() OVER (PARTITION BY implant_id ORDER BY version DESC) = 1) WHERE NOT withdrawn;
CREATE MACRO implant_as_of(recorded_until) AS TABLE
  SELECT implant_id, tumour_id, applicator_id, inserted_at, removed_at, prescribed_dose_gy, prescribed_depth_mm, sclera_allowance_mm, dose_apex_gy, dose_sclera_gy, dose_fovea_gy, dose_disc_gy, dose_lens_gy, dose_source, planned_margin_mm, planned_limbus_distance_mm, tumour_limbus_distance_mm, placed_limbus_distance_mm, position_check, margin_covered, mattress_suture, sclera_exposed, operator_code, adjunct, inserted_precision, planned_duration_hours, prescription_point, depth_origin, dose_model, dose_model_version, dose_inner_sclera_gy, dose_opposite_retina_gy, planned_posterior_margin_mm, least_margin_mm, least_margin_side, disc_contact, position_at_removal, incident, outside_usual_limits_reason, recorded_at, version FROM (SELECT * FROM implant_version WHERE implant_version.recorded_at <= recorded_until QUALIFY row_number() OVER (PARTITION BY implant_id ORDER BY version DESC) = 1) WHERE NOT withdrawn;

CREATE VIEW implant_muscle AS
  SELECT implant_id, muscle, knot_limbus_before_mm, knot_limbus_after_mm, overlies_plaque, recorded_at, version FROM (SELECT * FROM implant_muscle_version QUALIFY row_number() OVER (PARTITION BY implant_id, muscle ORDER BY version DESC) = 1) WHERE NOT withdrawn;
CREATE MACRO implant_muscle_as_of(recorded_until) AS TABLE
  SELECT implant_id, muscle, knot_limbus_before_mm, knot_limbus_after_mm, overlies_plaque, recorded_at, version FROM (SELECT * FROM implant_muscle_version WHERE implant_muscle_version.recorded_at <= recorded_until QUALIFY row_number() OVER (PARTITION BY implant_id, muscle ORDER BY version DESC) = 1) WHERE NOT withdrawn;

CREATE VIEW visit AS
  SELECT visit_id, patient_id, eye, tumour_id, visit_date, acuity, acuity_notation, acuity_correction, iop_mmhg, thickness_mm, local_status, fellow_acuity, lens_status, acuity_loss_causes, largest_basal_diameter_mm, acuity_logmar, acuity_letters, acuity_off_chart, fellow_acuity_logmar, fellow_acuity_letters, fellow_acuity_off_chart, recorded_at, version FROM (SELECT * FROM visit_version QUALIFY row_number() OVER (PARTITION BY visit_id ORDER BY version DESC) = 1) WHERE NOT withdrawn;
CREATE MACRO visit_as_of(recorded_until) AS TABLE
  SELECT visit_id, patient_id, eye, tumour_id, visit_date, acuity, acuity_notation, acuity_correction, iop_mmhg, thickness_mm, local_status, fellow_acuity, lens_status, acuity_loss_causes, largest_basal_diameter_mm, acuity_logmar, acuity_letters, acuity_off_chart, fellow_acuity_logmar, fellow_acuity_letters, fellow_acuity_off_chart, recorded_at, version FROM (SELECT * FROM visit_version WHERE visit_version.recorded_at <= recorded_until QUALIFY row_number() OVER (PARTITION BY visit_id ORDER BY version DESC) = 1) WHERE NOT withdrawn;

CREATE VIEW event AS
  SELECT event_id, patient_id, eye, tumour_id, event_date, kind, failure_pattern, retreatment, reason, grade, failure_edge, planned, recorded_at, version FROM (SELECT * FROM event_version QUALIFY row_number() OVER (PARTITION BY event_id ORDER BY version DESC) = 1) WHERE NOT withdrawn;
CREATE MACRO event_as_of(recorded_until) AS TABLE
  SELECT event_id, patient_id, eye, tumour_id, event_date, kind, failure_pattern, retreatment, reason, grade, failure_edge, planned, recorded_at, version FROM (SELECT * FROM event_version WHERE event_version.recorded_at <= recorded_until QUALIFY row_number() OVER (PARTITION BY event_id ORDER BY version DESC) = 1) WHERE NOT withdrawn;

CREATE VIEW setting AS
  SELECT name, value, recorded_at, version FROM (SELECT * FROM setting_version QUALIFY row_number() OVER (PARTITION BY name ORDER BY version DESC) = 1);

CREATE TRIGGER schema_version_refuses_update BEFORE UPDATE ON schema_version FOR EACH STATEMENT INSERT INTO guard SELECT error('schema_version is append-only: a correction is a new version of the record');
CREATE TRIGGER schema_version_refuses_delete BEFORE DELETE ON schema_version FOR EACH STATEMENT INSERT INTO guard SELECT error('schema_version is append-only: a correction is a new version of the record');

CREATE TRIGGER chain_anchor_refuses_update BEFORE UPDATE ON chain_anchor FOR EACH STATEMENT INSERT INTO guard SELECT error('chain_anchor is append-only: a correction is a new version of the record');
CREATE TRIGGER chain_anchor_refuses_delete BEFORE DELETE ON chain_anchor FOR EACH STATEMENT INSERT INTO guard SELECT error('chain_anchor is append-only: a correction is a new version of the record');

CREATE TRIGGER patient_key_refuses_update BEFORE UPDATE ON patient_key FOR EACH STATEMENT INSERT INTO guard SELECT error('patient_key is append-only: a correction is a new version of the record');
CREATE TRIGGER patient_key_refuses_delete BEFORE DELETE ON patient_key FOR EACH STATEMENT INSERT INTO guard SELECT error('patient_key is append-only: a correction is a new version of the record');

CREATE TRIGGER tumour_key_refuses_update BEFORE UPDATE ON tumour_key FOR EACH STATEMENT INSERT INTO guard SELECT error('tumour_key is append-only: a correction is a new version of the record');
CREATE TRIGGER tumour_key_refuses_delete BEFORE DELETE ON tumour_key FOR EACH STATEMENT INSERT INTO guard SELECT error('tumour_key is append-only: a correction is a new version of the record');

CREATE TRIGGER applicator_key_refuses_update BEFORE UPDATE ON applicator_key FOR EACH STATEMENT INSERT INTO guard SELECT error('applicator_key is append-only: a correction is a new version of the record');
CREATE TRIGGER applicator_key_refuses_delete BEFORE DELETE ON applicator_key FOR EACH STATEMENT INSERT INTO guard SELECT error('applicator_key is append-only: a correction is a new version of the record');

CREATE TRIGGER applicator_check_key_refuses_update BEFORE UPDATE ON applicator_check_key FOR EACH STATEMENT INSERT INTO guard SELECT error('applicator_check_key is append-only: a correction is a new version of the record');
CREATE TRIGGER applicator_check_key_refuses_delete BEFORE DELETE ON applicator_check_key FOR EACH STATEMENT INSERT INTO guard SELECT error('applicator_check_key is append-only: a correction is a new version of the record');

CREATE TRIGGER certificate_key_refuses_update BEFORE UPDATE ON certificate_key FOR EACH STATEMENT INSERT INTO guard SELECT error('certificate_key is append-only: a correction is a new version of the record');
CREATE TRIGGER certificate_key_refuses_delete BEFORE DELETE ON certificate_key FOR EACH STATEMENT INSERT INTO guard SELECT error('certificate_key is append-only: a correction is a new version of the record');

CREATE TRIGGER implant_key_refuses_update BEFORE UPDATE ON implant_key FOR EACH STATEMENT INSERT INTO guard SELECT error('implant_key is append-only: a correction is a new version of the record');
CREATE TRIGGER implant_key_refuses_delete BEFORE DELETE ON implant_key FOR EACH STATEMENT INSERT INTO guard SELECT error('implant_key is append-only: a correction is a new version of the record');

CREATE TRIGGER implant_muscle_key_refuses_update BEFORE UPDATE ON implant_muscle_key FOR EACH STATEMENT INSERT INTO guard SELECT error('implant_muscle_key is append-only: a correction is a new version of the record');
CREATE TRIGGER implant_muscle_key_refuses_delete BEFORE DELETE ON implant_muscle_key FOR EACH STATEMENT INSERT INTO guard SELECT error('implant_muscle_key is append-only: a correction is a new version of the record');

CREATE TRIGGER visit_key_refuses_update BEFORE UPDATE ON visit_key FOR EACH STATEMENT INSERT INTO guard SELECT error('visit_key is append-only: a correction is a new version of the record');
CREATE TRIGGER visit_key_refuses_delete BEFORE DELETE ON visit_key FOR EACH STATEMENT INSERT INTO guard SELECT error('visit_key is append-only: a correction is a new version of the record');

CREATE TRIGGER event_key_refuses_update BEFORE UPDATE ON event_key FOR EACH STATEMENT INSERT INTO guard SELECT error('event_key is append-only: a correction is a new version of the record');
CREATE TRIGGER event_key_refuses_delete BEFORE DELETE ON event_key FOR EACH STATEMENT INSERT INTO guard SELECT error('event_key is append-only: a correction is a new version of the record');

CREATE TRIGGER patient_version_refuses_update BEFORE UPDATE ON patient_version FOR EACH STATEMENT INSERT INTO guard SELECT error('patient_version is append-only: a correction is a new version of the record');
CREATE TRIGGER patient_version_refuses_delete BEFORE DELETE ON patient_version FOR EACH STATEMENT INSERT INTO guard SELECT error('patient_version is append-only: a correction is a new version of the record');

CREATE TRIGGER tumour_version_refuses_update BEFORE UPDATE ON tumour_version FOR EACH STATEMENT INSERT INTO guard SELECT error('tumour_version is append-only: a correction is a new version of the record');
CREATE TRIGGER tumour_version_refuses_delete BEFORE DELETE ON tumour_version FOR EACH STATEMENT INSERT INTO guard SELECT error('tumour_version is append-only: a correction is a new version of the record');

CREATE TRIGGER applicator_version_refuses_update BEFORE UPDATE ON applicator_version FOR EACH STATEMENT INSERT INTO guard SELECT error('applicator_version is append-only: a correction is a new version of the record');
CREATE TRIGGER applicator_version_refuses_delete BEFORE DELETE ON applicator_version FOR EACH STATEMENT INSERT INTO guard SELECT error('applicator_version is append-only: a correction is a new version of the record');

CREATE TRIGGER applicator_check_version_refuses_update BEFORE UPDATE ON applicator_check_version FOR EACH STATEMENT INSERT INTO guard SELECT error('applicator_check_version is append-only: a correction is a new version of the record');
CREATE TRIGGER applicator_check_version_refuses_delete BEFORE DELETE ON applicator_check_version FOR EACH STATEMENT INSERT INTO guard SELECT error('applicator_check_version is append-only: a correction is a new version of the record');

CREATE TRIGGER certificate_version_refuses_update BEFORE UPDATE ON certificate_version FOR EACH STATEMENT INSERT INTO guard SELECT error('certificate_version is append-only: a correction is a new version of the record');
CREATE TRIGGER certificate_version_refuses_delete BEFORE DELETE ON certificate_version FOR EACH STATEMENT INSERT INTO guard SELECT error('certificate_version is append-only: a correction is a new version of the record');

CREATE TRIGGER implant_version_refuses_update BEFORE UPDATE ON implant_version FOR EACH STATEMENT INSERT INTO guard SELECT error('implant_version is append-only: a correction is a new version of the record');
CREATE TRIGGER implant_version_refuses_delete BEFORE DELETE ON implant_version FOR EACH STATEMENT INSERT INTO guard SELECT error('implant_version is append-only: a correction is a new version of the record');

CREATE TRIGGER implant_muscle_version_refuses_update BEFORE UPDATE ON implant_muscle_version FOR EACH STATEMENT INSERT INTO guard SELECT error('implant_muscle_version is append-only: a correction is a new version of the record');
CREATE TRIGGER implant_muscle_version_refuses_delete BEFORE DELETE ON implant_muscle_version FOR EACH STATEMENT INSERT INTO guard SELECT error('implant_muscle_version is append-only: a correction is a new version of the record');

CREATE TRIGGER visit_version_refuses_update BEFORE UPDATE ON visit_version FOR EACH STATEMENT INSERT INTO guard SELECT error('visit_version is append-only: a correction is a new version of the record');
CREATE TRIGGER visit_version_refuses_delete BEFORE DELETE ON visit_version FOR EACH STATEMENT INSERT INTO guard SELECT error('visit_version is append-only: a correction is a new version of the record');

CREATE TRIGGER event_version_refuses_update BEFORE UPDATE ON event_version FOR EACH STATEMENT INSERT INTO guard SELECT error('event_version is append-only: a correction is a new version of the record');
CREATE TRIGGER event_version_refuses_delete BEFORE DELETE ON event_version FOR EACH STATEMENT INSERT INTO guard SELECT error('event_version is append-only: a correction is a new version of the record');

CREATE TRIGGER setting_version_refuses_update BEFORE UPDATE ON setting_version FOR EACH STATEMENT INSERT INTO guard SELECT error('setting_version is append-only: a correction is a new version of the record');
CREATE TRIGGER setting_version_refuses_delete BEFORE DELETE ON setting_version FOR EACH STATEMENT INSERT INTO guard SELECT error('setting_version is append-only: a correction is a new version of the record');

CREATE TRIGGER batch_refuses_update BEFORE UPDATE ON batch FOR EACH STATEMENT INSERT INTO guard SELECT error('batch is append-only: a correction is a new version of the record');
CREATE TRIGGER batch_refuses_delete BEFORE DELETE ON batch FOR EACH STATEMENT INSERT INTO guard SELECT error('batch is append-only: a correction is a new version of the record');

CREATE TRIGGER batch_file_refuses_update BEFORE UPDATE ON batch_file FOR EACH STATEMENT INSERT INTO guard SELECT error('batch_file is append-only: a correction is a new version of the record');
CREATE TRIGGER batch_file_refuses_delete BEFORE DELETE ON batch_file FOR EACH STATEMENT INSERT INTO guard SELECT error('batch_file is append-only: a correction is a new version of the record');
