// Reads a zip of task data with the npm package isoxml and prints what it found as JSON.
// Usage: node read.js FOLDER_WITH_node_modules FILE.zip
//        node read.js FOLDER_WITH_node_modules --dictionary   prints the package's copy of the data dictionary
"use strict";
const fs = require("fs");
const path = require("path");
const { createRequire } = require("module");

const outside = createRequire(path.join(path.resolve(process.argv[2]), "package.json"));
const { ISOXMLManager } = outside("isoxml");
const { ExtendedPolygon } = outside("isoxml/dist/entities/Polygon");

const rings = (polygons) => {
  const shape = ExtendedPolygon.toGeoJSON(polygons || []);
  return shape ? shape.coordinates : [];
};

const variables = (zone) =>
  (zone.attributes.ProcessDataVariable || []).map((pdv) => ({
    ddi: pdv.attributes.ProcessDataDDI,
    value: pdv.attributes.ProcessDataValue,
    product: pdv.attributes.ProductIdRef ? pdv.attributes.ProductIdRef.entity.attributes.ProductDesignator : null,
    unit: pdv.attributes.ValuePresentationIdRef
      ? pdv.attributes.ValuePresentationIdRef.entity.attributes.UnitDesignator
      : null,
  }));

const grid = (found) => {
  const own = found.attributes;
  const typed = own.GridType === "2";
  return {
    type: own.GridType,
    south: own.GridMinimumNorthPosition,
    west: own.GridMinimumEastPosition,
    northSize: own.GridCellNorthSize,
    eastSize: own.GridCellEastSize,
    columns: own.GridMaximumColumn,
    rows: own.GridMaximumRow,
    bytes: Array.from(found.binaryData),
    features: typed
      ? found
          .toGeoJSON(["rate"])
          .features.map((cell) => ({ rate: cell.properties.rate, corner: cell.geometry.coordinates[0][0] }))
      : null,
  };
};

const log = (found) => {
  const parsed = found.parseBinaryFile();
  return {
    name: found.attributes.Filename,
    errors: found.parsingErrors,
    records: parsed.timeLogs.map((record) => ({
      time: record.time.getTime(),
      east: record.position ? record.position.PositionEast : null,
      north: record.position ? record.position.PositionNorth : null,
      status: record.position ? record.position.PositionStatus : null,
      utcTime: record.position ? record.position.GpsUtcTime : null,
      utcDate: record.position ? record.position.GpsUtcDate : null,
      values: record.values,
    })),
  };
};

const main = async () => {
  if (process.argv[3] === "--dictionary") {
    console.log(JSON.stringify(outside("isoxml/dist/DDEntities").default));
    return;
  }
  const manager = new ISOXMLManager();
  await manager.parseISOXMLFile(new Uint8Array(fs.readFileSync(process.argv[3])), "application/zip");
  const root = manager.rootElement.attributes;
  const fields = (root.Partfield || []).map((field) => ({
    name: field.attributes.PartfieldDesignator,
    area: field.attributes.PartfieldArea,
    boundary: rings(field.attributes.PolygonnonTreatmentZoneonly),
  }));
  const tasks = (root.Task || []).map((task) => {
    const own = task.attributes;
    return {
      name: own.TaskDesignator,
      status: own.TaskStatus,
      fallback: [own.DefaultTreatmentZoneCode, own.PositionLostTreatmentZoneCode, own.OutOfFieldTreatmentZoneCode],
      zones: (own.TreatmentZone || []).map((zone) => ({
        code: zone.attributes.TreatmentZoneCode,
        name: zone.attributes.TreatmentZoneDesignator,
        variables: variables(zone),
        rings: rings(zone.attributes.PolygonTreatmentZoneonly),
      })),
      grid: own.Grid ? grid(own.Grid[0]) : null,
      logs: (own.TimeLog || []).map(log),
    };
  });
  console.log(JSON.stringify({ version: root.VersionMajor, fields, tasks, warnings: manager.getWarnings() }));
};

main().catch((problem) => {
  console.error(problem);
  process.exit(1);
});
