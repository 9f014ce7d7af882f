<?xml version="1.0" encoding="utf-8" ?>
<ogr:FeatureCollection
     gml:id="aFeatureCollection"
     xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"
     xsi:schemaLocation="http://ogr.maptools.org/ points.xsd"
     xmlns:ogr="http://ogr.maptools.org/"
     xmlns:gml="http://www.opengis.net/gml/3.2">
  <gml:boundedBy><gml:Envelope srsName="urn:ogc:def:crs:EPSG::4326"><gml:lowerCorner>-35.5 147.5</gml:lowerCorner><gml:upperCorner>-35.25 148.125</gml:upperCorner></gml:Envelope></gml:boundedBy>
                                                                                                                                                           
  <ogr:featureMember>
    <ogr:source gml:id="source.0">
      <gml:boundedBy><gml:Envelope srsName="urn:ogc:def:crs:EPSG::4326"><gml:lowerCorner>-35.25 147.5</gml:lowerCorner><gml:upperCorner>-35.25 147.5</gml:upperCorner></gml:Envelope></gml:boundedBy>
      <ogr:geometryProperty><gml:Point srsName="urn:ogc:def:crs:EPSG::4326" gml:id="source.geom.0"><gml:pos>-35.25 147.5</gml:pos></gml:Point></ogr:geometryProperty>
      <ogr:name>dam</ogr:name>
      <ogr:count>2</ogr:count>
    </ogr:source>
  </ogr:featureMember>
  <ogr:featureMember>
    <ogr:source gml:id="source.1">
      <gml:boundedBy><gml:Envelope srsName="urn:ogc:def:crs:EPSG::4326"><gml:lowerCorner>-35.5 148.125</gml:lowerCorner><gml:upperCorner>-35.5 148.125</gml:upperCorner></gml:Envelope></gml:boundedBy>
      <ogr:geometryProperty><gml:Point srsName="urn:ogc:def:crs:EPSG::4326" gml:id="source.geom.1"><gml:pos>-35.5 148.125</gml:pos></gml:Point></ogr:geometryProperty>
      <ogr:name>gate</ogr:name>
      <ogr:count>3</ogr:count>
    </ogr:source>
  </ogr:featureMember>
</ogr:FeatureCollection>
