pub(crate) mod campaigns;
