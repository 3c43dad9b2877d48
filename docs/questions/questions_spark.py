"""The tables of `shakedown export --all FOLDER` in Spark; the questions of questions.sql then run in `spark.sql`."""

from pyspark.sql import SparkSession

spark = SparkSession.builder.getOrCreate()
spark.conf.set("spark.sql.sources.partitionColumnTypeInference.enabled", "false")
for name in ("rows", "events"):
    table = spark.read.option("mergeSchema", "true").parquet(f"FOLDER/{name}")
    table.selectExpr("*", "input_file_name() AS filename").createOrReplaceTempView(name)
# in the question about alarms: (unix_micros(max(time)) - unix_micros(min(time))) / 3.6e9 AS h
