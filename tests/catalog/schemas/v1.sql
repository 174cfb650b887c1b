BEGIN TRANSACTION;
CREATE TABLE catalog_meta (
	"key" VARCHAR NOT NULL, 
	value VARCHAR NOT NULL, 
	PRIMARY KEY ("key")
);
INSERT INTO "catalog_meta" VALUES('schema','1');
CREATE TABLE content (
	product_id VARCHAR NOT NULL, 
	position INTEGER NOT NULL, 
	formula VARCHAR NOT NULL, 
	mass_fraction FLOAT NOT NULL, 
	source VARCHAR NOT NULL, 
	note VARCHAR NOT NULL, 
	PRIMARY KEY (product_id, position), 
	FOREIGN KEY(product_id) REFERENCES product (id)
);
INSERT INTO "content" VALUES('calcium-nitrate',0,'5Ca(NO3)2.NH4NO3.10H2O',1.0,'definition','');
INSERT INTO "content" VALUES('potassium-nitrate',0,'KNO3',1.0,'definition','');
INSERT INTO "content" VALUES('urea',0,'CO(NH2)2',1.0,'definition','');
CREATE TABLE content_species (
	id INTEGER NOT NULL, 
	product_id VARCHAR NOT NULL, 
	position INTEGER NOT NULL, 
	species VARCHAR NOT NULL, 
	moles FLOAT NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (product_id, position, species), 
	FOREIGN KEY(product_id) REFERENCES product (id)
);
INSERT INTO "content_species" VALUES(72,'calcium-nitrate',0,'Ca+2',5.0);
INSERT INTO "content_species" VALUES(73,'calcium-nitrate',0,'NH4+',1.0);
INSERT INTO "content_species" VALUES(74,'calcium-nitrate',0,'NO3-',11.0);
INSERT INTO "content_species" VALUES(75,'calcium-nitrate',0,'H2O',10.0);
INSERT INTO "content_species" VALUES(185,'potassium-nitrate',0,'K+',1.0);
INSERT INTO "content_species" VALUES(186,'potassium-nitrate',0,'NO3-',1.0);
INSERT INTO "content_species" VALUES(275,'urea',0,'urea',1.0);
CREATE TABLE derived_from (
	product_id VARCHAR NOT NULL, 
	position INTEGER NOT NULL, 
	material VARCHAR NOT NULL, 
	PRIMARY KEY (product_id, position), 
	FOREIGN KEY(product_id) REFERENCES product (id)
);
INSERT INTO "derived_from" VALUES('my-bottle',0,'urea');
INSERT INTO "derived_from" VALUES('my-bottle',1,'potassium chloride');
INSERT INTO "derived_from" VALUES('my-bottle',2,'urea');
CREATE TABLE number (
	product_id VARCHAR NOT NULL, 
	"group" VARCHAR NOT NULL, 
	"key" VARCHAR NOT NULL, 
	value FLOAT NOT NULL, 
	source VARCHAR NOT NULL, 
	note VARCHAR NOT NULL, 
	PRIMARY KEY (product_id, "group", "key"), 
	FOREIGN KEY(product_id) REFERENCES product (id)
);
INSERT INTO "number" VALUES('calcium-nitrate','guaranteed','n_nitrate',14.4,'trade-memory','');
INSERT INTO "number" VALUES('calcium-nitrate','guaranteed','n_ammonium',1.1,'trade-memory','');
INSERT INTO "number" VALUES('calcium-nitrate','guaranteed','ca',19.0,'trade-memory','');
INSERT INTO "number" VALUES('calcium-nitrate','number','solution_ph',6.0,'trade-memory','range 5 to 7');
INSERT INTO "number" VALUES('calcium-nitrate','number','salt_index',59.0,'trade-memory','range 53 to 65; 69 in a web table');
INSERT INTO "number" VALUES('calcium-nitrate','number','heat_of_solution',83.0,'handbook-memory','five of calcium nitrate dihydrate and one of ammonium nitrate; what the double salt holds beyond is left out; formation enthalpies of the NBS tables (1982), recalled');
INSERT INTO "number" VALUES('potassium-nitrate','guaranteed','n_nitrate',13.0,'trade-memory','');
INSERT INTO "number" VALUES('potassium-nitrate','number','solution_ph',8.0,'trade-memory','range 7 to 9');
INSERT INTO "number" VALUES('potassium-nitrate','number','heat_of_solution',34.89,'trade-memory','');
INSERT INTO "number" VALUES('potassium-nitrate','number','salt_index',71.5,'trade-memory','range 69.5 to 73.6');
INSERT INTO "number" VALUES('my-bottle','guaranteed','n_urea',3.00000000000000044408e-01,'invented','odd');
INSERT INTO "number" VALUES('my-bottle','number','solution_ph',-0.5,'invented','');
INSERT INTO "number" VALUES('house-chelate','guaranteed','fe',6.0,'invented','');
INSERT INTO "number" VALUES('house-chelate','at_most','cl',0.5,'invented','as printed');
INSERT INTO "number" VALUES('urea','guaranteed','n_urea',46.0,'trade-memory','');
INSERT INTO "number" VALUES('urea','number','solution_ph',8.0,'trade-memory','range 7 to 9; weak, drifts up');
INSERT INTO "number" VALUES('urea','number','heat_of_solution',15.4,'trade-memory','');
INSERT INTO "number" VALUES('urea','number','salt_index',75.0,'salt-index-table','');
CREATE TABLE product (
	id VARCHAR NOT NULL, 
	name VARCHAR NOT NULL, 
	kind VARCHAR NOT NULL, 
	form VARCHAR NOT NULL, 
	grade VARCHAR NOT NULL, 
	dissolving VARCHAR NOT NULL, 
	invented BOOLEAN NOT NULL, 
	hazards JSON NOT NULL, 
	density_kg_per_l FLOAT, 
	density_temperature_c FLOAT, 
	density_source VARCHAR NOT NULL, 
	notes VARCHAR NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "product" VALUES('calcium-nitrate','calcium nitrate','material','dry','15.5-0-0','complete',0,'[]',NULL,NULL,'','Needs its own tank; holds about 1 % ammonium nitrogen, so never with chlorine. The curve is that of the pure nitrate.');
INSERT INTO "product" VALUES('potassium-nitrate','potassium nitrate','material','dry','13-0-44','complete',0,'["oxidizer"]',NULL,NULL,'','Cools strongly, and a cold tank holds little; field prills may carry a conditioner.');
INSERT INTO "product" VALUES('alder-jug-12-4-8','Alder Jug 12-4-8 (invented)','product','liquid','12-4-8','complete',1,'[]',1.2,20.0,'invented','The label gives a grade and a density, and no sources.');
INSERT INTO "product" VALUES('my-bottle','My Bottle','product','liquid','10.5-0-10','complete',0,'["acid", "sulfite-gas"]',1.16,NULL,'invented','It''s 100 % "quoted"; --
DROP TABLE product;');
INSERT INTO "product" VALUES('house-chelate','House chelate','product','dry','','complete',0,'[]',NULL,NULL,'','');
INSERT INTO "product" VALUES('urea','urea','material','dry','46-0-0','complete',0,'[]',NULL,NULL,'','Corrected by the user.');
CREATE TABLE product_name (
	folded VARCHAR NOT NULL, 
	name VARCHAR NOT NULL, 
	position INTEGER NOT NULL, 
	product_id VARCHAR NOT NULL, 
	PRIMARY KEY (folded), 
	FOREIGN KEY(product_id) REFERENCES product (id)
);
INSERT INTO "product_name" VALUES('calcium-nitrate','calcium-nitrate',0,'calcium-nitrate');
INSERT INTO "product_name" VALUES('calcium nitrate','calcium nitrate',1,'calcium-nitrate');
INSERT INTO "product_name" VALUES('calcium ammonium nitrate decahydrate','calcium ammonium nitrate decahydrate',2,'calcium-nitrate');
INSERT INTO "product_name" VALUES('greenhouse calcium nitrate','greenhouse calcium nitrate',3,'calcium-nitrate');
INSERT INTO "product_name" VALUES('nitrate of lime','nitrate of lime',4,'calcium-nitrate');
INSERT INTO "product_name" VALUES('15.5-0-0','15.5-0-0',5,'calcium-nitrate');
INSERT INTO "product_name" VALUES('potassium-nitrate','potassium-nitrate',0,'potassium-nitrate');
INSERT INTO "product_name" VALUES('potassium nitrate','potassium nitrate',1,'potassium-nitrate');
INSERT INTO "product_name" VALUES('nop','NOP',2,'potassium-nitrate');
INSERT INTO "product_name" VALUES('nitrate of potash','nitrate of potash',3,'potassium-nitrate');
INSERT INTO "product_name" VALUES('saltpeter','saltpeter',4,'potassium-nitrate');
INSERT INTO "product_name" VALUES('saltpetre','saltpetre',5,'potassium-nitrate');
INSERT INTO "product_name" VALUES('kno3','KNO3',6,'potassium-nitrate');
INSERT INTO "product_name" VALUES('13-0-44','13-0-44',7,'potassium-nitrate');
INSERT INTO "product_name" VALUES('13-0-45','13-0-45',8,'potassium-nitrate');
INSERT INTO "product_name" VALUES('13-0-46','13-0-46',9,'potassium-nitrate');
INSERT INTO "product_name" VALUES('13.5-0-46','13.5-0-46',10,'potassium-nitrate');
INSERT INTO "product_name" VALUES('13.7-0-46','13.7-0-46',11,'potassium-nitrate');
INSERT INTO "product_name" VALUES('alder-jug-12-4-8','alder-jug-12-4-8',0,'alder-jug-12-4-8');
INSERT INTO "product_name" VALUES('alder jug 12-4-8 (invented)','Alder Jug 12-4-8 (invented)',1,'alder-jug-12-4-8');
INSERT INTO "product_name" VALUES('alder jug 12-4-8','Alder Jug 12-4-8',2,'alder-jug-12-4-8');
INSERT INTO "product_name" VALUES('alder jug','alder jug',3,'alder-jug-12-4-8');
INSERT INTO "product_name" VALUES('my-bottle','my-bottle',0,'my-bottle');
INSERT INTO "product_name" VALUES('my bottle','My Bottle',1,'my-bottle');
INSERT INTO "product_name" VALUES('corner shop feed','corner shop feed',2,'my-bottle');
INSERT INTO "product_name" VALUES('dünger no1','Dünger №1',3,'my-bottle');
INSERT INTO "product_name" VALUES('house-chelate','house-chelate',0,'house-chelate');
INSERT INTO "product_name" VALUES('house chelate','House chelate',1,'house-chelate');
INSERT INTO "product_name" VALUES('urea','urea',0,'urea');
INSERT INTO "product_name" VALUES('carbamide','carbamide',1,'urea');
CREATE TABLE product_word (
	product_id VARCHAR NOT NULL, 
	"key" VARCHAR NOT NULL, 
	word VARCHAR NOT NULL, 
	PRIMARY KEY (product_id, "key"), 
	FOREIGN KEY(product_id) REFERENCES product (id)
);
INSERT INTO "product_word" VALUES('house-chelate','chelating_agent','EDTA');
CREATE TABLE solubility (
	product_id VARCHAR NOT NULL, 
	position INTEGER NOT NULL, 
	formula VARCHAR NOT NULL, 
	temperature_c FLOAT NOT NULL, 
	g_per_100_g_water FLOAT NOT NULL, 
	source VARCHAR NOT NULL, 
	PRIMARY KEY (product_id, position), 
	FOREIGN KEY(product_id) REFERENCES product (id)
);
INSERT INTO "solubility" VALUES('calcium-nitrate',0,'Ca(NO3)2',0.0,100.4,'crc-solubility');
INSERT INTO "solubility" VALUES('calcium-nitrate',1,'Ca(NO3)2',10.0,113.2,'crc-molality');
INSERT INTO "solubility" VALUES('calcium-nitrate',2,'Ca(NO3)2',20.0,130.9,'crc-solubility');
INSERT INTO "solubility" VALUES('calcium-nitrate',3,'Ca(NO3)2',25.0,142.3,'crc-molality');
INSERT INTO "solubility" VALUES('calcium-nitrate',4,'Ca(NO3)2',40.0,189.0,'crc-solubility');
INSERT INTO "solubility" VALUES('potassium-nitrate',0,'KNO3',0.0,13.64,'crc-solubility');
INSERT INTO "solubility" VALUES('potassium-nitrate',1,'KNO3',10.0,21.36,'crc-solubility');
INSERT INTO "solubility" VALUES('potassium-nitrate',2,'KNO3',20.0,31.93,'crc-solubility');
INSERT INTO "solubility" VALUES('potassium-nitrate',3,'KNO3',25.0,38.31,'crc-solubility');
INSERT INTO "solubility" VALUES('potassium-nitrate',4,'KNO3',30.0,45.56,'crc-solubility');
INSERT INTO "solubility" VALUES('potassium-nitrate',5,'KNO3',40.0,62.87,'crc-solubility');
INSERT INTO "solubility" VALUES('potassium-nitrate',6,'KNO3',50.0,84.16,'crc-solubility');
INSERT INTO "solubility" VALUES('my-bottle',0,'KCl',-5.5,28.0,'invented');
INSERT INTO "solubility" VALUES('urea',0,'CO(NH2)2',0.0,67.0,'handbook-memory');
INSERT INTO "solubility" VALUES('urea',1,'CO(NH2)2',10.0,85.0,'handbook-memory');
INSERT INTO "solubility" VALUES('urea',2,'CO(NH2)2',20.0,105.0,'handbook-memory');
INSERT INTO "solubility" VALUES('urea',3,'CO(NH2)2',25.0,120.0,'handbook-memory');
INSERT INTO "solubility" VALUES('urea',4,'CO(NH2)2',30.0,136.0,'handbook-memory');
INSERT INTO "solubility" VALUES('urea',5,'CO(NH2)2',40.0,165.0,'handbook-memory');
CREATE TABLE source (
	"key" VARCHAR NOT NULL, 
	citation VARCHAR NOT NULL, 
	seen VARCHAR NOT NULL, 
	PRIMARY KEY ("key")
);
INSERT INTO "source" VALUES('definition','By definition: the pure chemical, or the strength in the name','computed');
INSERT INTO "source" VALUES('handbook-memory','Aqueous solubility and density tables as in Lange''s Handbook of Chemistry and the CRC Handbook of Chemistry and Physics, recalled','no');
INSERT INTO "source" VALUES('trade-memory','Handbook recollection (Mortvedt salt index, CRC, Burt et al. 1995)','no');
INSERT INTO "source" VALUES('crc-solubility','CRC Handbook of Chemistry and Physics, 98th ed. (2017), section 5, Aqueous Solubility of Inorganic Compounds at Various Temperatures: mass percent of the salt without water, converted (copy)','yes');
INSERT INTO "source" VALUES('crc-molality','CRC Handbook of Chemistry and Physics, 98th ed. (2017), section 5, Solubility of Common Salts at Ambient Temperatures: mol per kg of water, converted (copy)','yes');
INSERT INTO "source" VALUES('salt-index-table','Salt index table of fertilizer materials, trade page','yes');
INSERT INTO "source" VALUES('invented','Invented for the demo, not a real product or place','invented');
CREATE TABLE water (
	id VARCHAR NOT NULL, 
	name VARCHAR NOT NULL, 
	invented BOOLEAN NOT NULL, 
	items JSON NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "water" VALUES('brook-well','Brook Well (invented)',1,'{"notes": "Soft water with hardly any buffer.", "source": "invented", "tested_on": "2026-03-12", "ph": 6.8, "calcium": "4 mg/L", "magnesium": "1.2 mg/L", "alkalinity": "17 mg/L CaCO3", "sodium": "5.7 mg/L", "potassium": "0.8 mg/L", "chloride": "4 mg/L", "sulfate": "4 mg/L SO4", "nitrate": "1.5 mg/L NO3", "phosphate": "0.03 mg/L PO4", "iron": "0.02 mg/L", "manganese": "0.01 mg/L", "sulfide": "0 mg/L", "boron": "0.01 mg/L", "silica": "12 mg/L SiO2", "fluoride": "0.1 mg/L", "temperature": "9 degC"}');
INSERT INTO "water" VALUES('ridge-well','Ridge Well (invented)',1,'{"notes": "Hard water from limestone.", "source": "invented", "tested_on": "2026-04-07", "ph": 7.6, "calcium": "95 mg/L", "magnesium": "22 mg/L", "alkalinity": "210 mg/L CaCO3", "sodium": "11 mg/L", "potassium": "2 mg/L", "chloride": "61 mg/L", "sulfate": "40 mg/L SO4", "nitrate": "18 mg/L NO3", "phosphate": "0.05 mg/L PO4", "iron": "0.03 mg/L", "manganese": "0.01 mg/L", "sulfide": "0 mg/L", "boron": "0.05 mg/L", "silica": "14 mg/L SiO2", "fluoride": "0.2 mg/L", "temperature": "14 degC"}');
INSERT INTO "water" VALUES('my-well','My Well',0,'{"notes": "Behind the barn.\nDeep.", "source": "", "tested_on": "2025-05-01", "ph": 7.1, "calcium": "12 gpg", "alkalinity": "3 meq/L"}');
INSERT INTO "water" VALUES('other-well','brook-well',0,'{"notes": "", "source": "", "ph": "7.0 to 7.4"}');
CREATE INDEX ix_product_kind ON product (kind);
CREATE INDEX ix_product_name_product_id ON product_name (product_id);
CREATE INDEX ix_content_species_product_id ON content_species (product_id);
COMMIT;
